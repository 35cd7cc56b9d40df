# Bounceproof: stems -> transfers -> (the recorder) -> returns -> pairs, hiss, mix -> report.
# One file of rules a stage; what a session is and which takes it has is worked out in common.smk.


import logging
import sys

# Where a disk is full, the log is not written either: the run tells what failed, not a traceback for each line of its log.
logging.raiseExceptions = False
# To see whether a parameter is a table of pandas, Snakemake loads it at each start, which takes a sixth of that; ours never are.
sys.modules.setdefault("pandas", None)


report: "workflow/report/workflow.rst"


include: "workflow/rules/common.smk"
include: "workflow/rules/gathering.smk"
include: "workflow/rules/outbound.smk"
include: "workflow/rules/returns.smk"
include: "workflow/rules/checks.smk"
include: "workflow/rules/mix.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/record.smk"
include: "workflow/rules/film.smk"
include: "workflow/rules/planning.smk"
include: "workflow/rules/setup.smk"


rule all:
    default_target: True
    input:
        result("report.html"),
        result("record.json"),
        rules.draw_figures.output,
        rules.draw_mixes.output,
        rules.transfers.input,
        rules.print_figures.output if "print" in SESSION["figures"]["presets"] else [],


PROGRESS = progress.follow(workflow, result("logs"), song_s=SONG_S, say=lambda line: print(line, file=sys.stderr, flush=True))


onstart:
    REMEMBERED.keep()
    # For the sake of a limit of jobs a second, Snakemake looks every second for each job that ended, and ends a second late.
    if workflow.local_exec:
        workflow.scheduler.job_rate_limiter = None


onsuccess:
    remove_unfinished(RESULTS)
    PROGRESS.end(finished=True)
    say_what_came(finished=True)


onerror:
    PROGRESS.end(finished=False)
    say_what_came(finished=False)
