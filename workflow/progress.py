"""What a run is doing: which job, for which track, how far, and how long it will still take.

Said in the terminal every few seconds, and line by line in a log file for whoever looks later. Conventions: times in seconds; a
job's expected time is the mean of its rule's jobs so far, before any is done that of the last run, else a first guess from the
song's length; guesses are scaled by how those of finished jobs turned out.
"""

import json
import logging
import threading
import time
from pathlib import Path

# Seconds of work a job, as a constant and for each minute of song: measured with the demo, on one core of a slow machine.
FIRST_GUESS_S = {
    "synthesise_stem": (0.5, 2.0),
    "prepare_stem": (0.4, 0.3),
    "make_transfer": (0.5, 0.6),
    "simulate_return": (1.0, 3.5),
    "align_return": (3.0, 14.0),
    "measure_return": (1.0, 2.0),
    "check_pair": (1.0, 1.3),
    "draw_figures": (5.5, 0.5),
    "draw_mixes": (1.5, 0.0),
    "build_mix": (0.5, 3.0),
    "measure_mixes": (1.0, 2.5),
}
_OTHERS_S = (0.5, 0.3)
SAY_EVERY_S, BEAT_S = 5.0, 20.0
_TRUST_S = 10.0


class Expected:
    """How long jobs of each rule take. last: {rule: seconds} of the last run; song_s: the song's length."""

    def __init__(self, last, song_s):
        self._last, self._song_s, self._took = last, song_s, {}
        # Some seconds as guessed, so that the first small job does not speak for all.
        self._scale = (_TRUST_S, _TRUST_S)

    def took(self, rule, seconds):
        """A job of a rule is finished."""
        done, guessed = self._scale
        self._scale = (done + seconds, guessed + self._before(rule))
        total, jobs = self._took.get(rule, (0.0, 0))
        self._took[rule] = (total + seconds, jobs + 1)

    def of(self, rule):
        if rule in self._took:
            total, jobs = self._took[rule]
            return total / jobs
        done, guessed = self._scale
        return self._before(rule) * done / guessed

    def _before(self, rule):
        constant, a_minute = FIRST_GUESS_S.get(rule, _OTHERS_S)
        return self._last.get(rule) or constant + a_minute * self._song_s / 60.0

    def means(self):
        """{rule: mean seconds} of this run, and of the last one where this had none."""
        return {**self._last, **{rule: round(total / jobs, 2) for rule, (total, jobs) in self._took.items()}}


class Progress(logging.Handler):
    """A handler of Snakemake's own log that keeps count.

    folder: where progress.log and durations.json lie; say: takes a line for the terminal; cores: gives the number of jobs at a
    time (known only once a run has begun; 0 where nothing is run, as in a dry run); ask: makes Snakemake tell when jobs are done.
    """

    def __init__(self, folder, *, song_s, cores, say, ask=lambda: None, clock=time.monotonic):
        super().__init__()
        self._folder, self._say, self._clock, self._ask = Path(folder), say, clock, ask
        self._cores_of, self._cores = cores, 1
        self._expected = Expected(_read(self._folder / "durations.json"), song_s)
        self._waiting, self._running, self._names = {}, {}, {}
        self._done, self._total, self._begun_s, self._said_s, self._log = 0, 0, None, 0.0, None
        self._over = threading.Event()

    def emit(self, record):
        """Take note of what Snakemake tells; never stop a run over it."""
        event = getattr(getattr(record, "event", None), "name", None)
        handle = getattr(self, f"_on_{event.lower()}", None) if event else None
        if handle is not None:
            try:
                handle(record)
            except Exception:
                self.handleError(record)

    def _on_run_info(self, record):
        stats = dict(record.stats)
        self._total, self._cores = stats.pop("total"), self._cores_of()
        if not self._cores:
            return
        # A rule without work of its own (a target) takes no time.
        self._waiting = {rule: count for rule, count in stats.items() if rule != "all"}
        self._begun_s = self._said_s = self._clock()
        self._folder.mkdir(parents=True, exist_ok=True)
        self._log = (self._folder / "progress.log").open("a", encoding="utf-8")
        self._note(f"begun: {self._total} jobs, {self._cores} at a time, about {_span(self._left_s())} in all")
        threading.Thread(target=self._beat, daemon=True).start()

    def _on_job_started(self, record):
        self._ask()

    def _on_job_info(self, record):
        if self._begun_s is None:
            return
        name = record.rule_msg or record.rule_name
        self._running[record.jobid] = (record.rule_name, name, self._clock())
        self._waiting[record.rule_name] = max(0, self._waiting.get(record.rule_name, 0) - 1)
        self._note(f"started: {name}")

    def _on_job_finished(self, record):
        rule, name, start_s = self._running.pop(record.job_id, (None, None, None))
        if rule is None:
            return
        seconds = self._clock() - start_s
        self._expected.took(rule, seconds)
        self._done += 1
        self._note(f"done: {name}, took {_span(seconds)}; {self._standing()}")
        if self._clock() - self._said_s >= SAY_EVERY_S:
            self._speak()

    def _on_job_error(self, record):
        _, name, _ = self._running.pop(record.jobid, (None, record.rule_name, None))
        self._note(f"failed: {name}")

    def _on_progress(self, record):
        # A checkpoint may have brought more jobs than were known at the start.
        self._done, self._total = record.done, record.total

    def _beat(self):
        """Long jobs say that they are still at it."""
        while not self._over.wait(1.0):
            if self._running and self._clock() - self._said_s >= BEAT_S:
                self._speak()

    def _speak(self):
        self._said_s = self._clock()
        now = "; ".join(self._how_far(*one) for one in list(self._running.values()))
        self._say(f"  {self._standing()}{'. Now: ' + now if now else ''}")

    def _how_far(self, rule, name, start_s):
        return f"{name} ({self._clock() - start_s:.0f} s of about {_span(self._expected.of(rule))})"

    def _standing(self):
        gone_s = self._clock() - self._begun_s
        left_s = self._left_s()
        left = "" if self._done >= self._total else f", about {_span(left_s)} left" if left_s >= 1.0 else ", nearly there"
        return f"{self._done} of {self._total} done after {_span(gone_s)}{left}"

    def _left_s(self):
        waiting_s = sum(count * self._expected.of(rule) for rule, count in self._waiting.items())
        running_s = [
            max(0.0, self._expected.of(rule) - (self._clock() - start)) for rule, _, start in list(self._running.values())
        ]
        return max([(waiting_s + sum(running_s)) / self._cores, *running_s])

    def _note(self, words):
        print(f"{time.strftime('%Y-%m-%d %H:%M:%S')}  {words}", file=self._log, flush=True)

    def end(self, *, finished):
        """The run is over: what its jobs took is kept for the next one's guesses."""
        self._over.set()
        if self._log is None:
            return
        self._note(f"{'finished' if finished else 'stopped, not everything was finished'}: {self._standing()}")
        self._log.close()
        self._log = None
        (self._folder / "durations.json").write_text(json.dumps(self._expected.means(), indent=1) + "\n", encoding="utf-8")


def _read(path):
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return {str(rule): float(seconds) for rule, seconds in found.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def _span(seconds):
    """A time span as people say it."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def follow(workflow, folder, *, song_s, say):
    """A Progress that listens to a run of `workflow`, or to nothing in the processes of its jobs."""
    from snakemake.logging import logger

    def ask():
        # Kept quiet about progress (its lines name numbers, no tracks), Snakemake tells no handler either, unless asked to here.
        workflow.scheduler.print_progress = True

    def at_a_time():
        # On a cluster it is jobs that are counted, and no cores are.
        limits = workflow.resource_settings
        return 0 if workflow.dryrun else limits.cores or limits.nodes

    progress = Progress(folder, song_s=song_s, cores=at_a_time, say=say, ask=ask)
    if workflow.is_main_process:
        logger.addHandler(progress)
    return progress
