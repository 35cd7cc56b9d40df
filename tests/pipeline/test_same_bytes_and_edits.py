"""The same bytes on one core and on two, in another folder, seconds apart; and which rules an edit of the library reruns.

The second run happens in a copy of the project, from a session whose path holds spaces, an umlaut and brackets, under the plain
C locale, in another time zone.
"""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from chain import (
    RATE_HZ,
    SHORT,
    STEMS,
    copied_project,
    date,
    finished,
    hashes,
    make_session,
    planned,
    shared_project,
    shared_story,
    snakemake,
)

pytestmark = pytest.mark.pipeline

TRACKS = "track\tchannel\tpan\nkeys\tstereo\t0.2\ndrum\tmono\t0\n"
SETTINGS = SHORT + "fill_missing: simulate\nrecorder: {preset: pocket-machine-good}\n"


def one_session(folder):
    """A session whose results lie in its own folder, so that copied elsewhere it is the same to the byte."""
    session = make_session(folder, "results", stems={"drum": STEMS["drum"]}, settings=SETTINGS, tracks=TRACKS)
    both = np.stack([STEMS["horn"], np.roll(STEMS["horn"], 30) * 0.8], axis=1)
    soundfile.write(session / "stems/keys.wav", both.astype(np.float32), RATE_HZ, subtype="FLOAT")
    date(session / "stems/keys.wav", 0.01)
    return session


def twice(folder, project):
    first = one_session(folder / "plain")
    odd = folder / "Jörg's tape (take 2) - b" / "[new] 50% session"
    shutil.copytree(first, odd)
    finished(snakemake(first, cores=2, project=project))
    project = copied_project(folder / "another project")
    environment = {"LC_ALL": "C", "LANG": "C", "LANGUAGE": "de", "TZ": "Pacific/Chatham", "PYTHONUTF8": "1"}
    finished(snakemake(odd, cores=1, project=project, folder=folder / "house two", environment=environment))
    told = {"one": hashes(first / "results"), "two": hashes(odd / "results")}

    def plan():
        return planned(odd, project=project, folder=folder / "house two", environment=environment)

    library = project / "workflow/scripts/bounceproof"
    told["untouched"] = plan()
    told["comment"] = edited(
        library / "pairs.py", lambda text: '"""Other words."""\n# and a comment\n' + text.partition('"""\n')[2], plan
    )
    told["function"] = edited(library / "pairs.py", lambda text: text + "\n\ndef new():\n    return 1\n", plan)
    told["deep"] = edited(library / "clicks.py", lambda text: text.replace("SWEEP_S = 0.040", "SWEEP_S = 0.0400001"), plan)
    told["script"] = edited(
        project / "workflow/scripts/draw_figures.py", lambda text: text.replace("import main", "import main") + "\nX = 1\n", plan
    )

    link = folder / "a link to it"
    link.symlink_to(odd, target_is_directory=True)
    run = snakemake(link, "--dry-run", project=project, folder=folder / "house two", environment=environment)
    told["by_link"] = {"code": run.code, "jobs": run.jobs, "text": run.text[-3000:]}
    return told


def edited(path, change, plan):
    """The jobs planned while `path` is changed."""
    before = path.read_bytes()
    stat = path.stat()
    after = change(before.decode("utf-8"))
    assert after.encode("utf-8") != before, path
    path.write_text(after, encoding="utf-8")
    jobs = plan()
    path.write_bytes(before)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    return jobs


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    return shared_story(tmp_path_factory, twice, project=shared_project(tmp_path_factory))


def test_two_runs_give_the_same_files(told):
    assert set(told["one"]) == set(told["two"])
    assert {"report.html", "mix/returned.wav", "transfers/keys.L.wav", "transfers/keys.R.wav", "simulated/drum.wav"} <= set(
        told["one"]
    )


def test_two_runs_give_the_same_bytes(told):
    different = [name for name, value in told["one"].items() if told["two"][name] != value]
    assert different == []


def test_nothing_of_this_machine_is_in_the_results(told):
    for name in ("report.html", "record.json", "tracks.tsv", "transfers/run-sheet.html"):
        text = (Path(told["folder"]) / "plain/results" / name).read_text(encoding="utf-8")
        assert told["folder"] not in text, name


def test_unchanged_code_and_changed_words_rerun_nothing(told):
    assert told["untouched"] == []
    assert told["comment"] == []


def test_an_edited_function_reruns_the_rules_that_reach_it_and_what_follows(told):
    rerun = set(told["function"])
    assert "Checking the pair keys" in rerun
    assert {"Drawing the figures", "Writing the report"} <= rerun
    untouched = ("Aligning", "Measuring", "Preparing", "Making the transfer", "Simulating", "Choosing", "Building the rough")
    assert not [job for job in rerun if job.startswith(untouched)]


def test_an_edit_deep_down_reruns_all_that_rests_on_it_and_nothing_before_it(told):
    rerun = set(told["deep"])
    assert {"Making the transfer of drum", "Aligning drum, simulated", "Writing the report"} <= rerun
    assert not [job for job in rerun if job.startswith("Preparing the stem")]


def test_an_edited_script_reruns_its_rule(told):
    assert set(told["script"]) == {"Drawing the figures", "Drawing the figures of the mixes"}


def test_a_session_reached_through_a_link_with_spaces_runs(told):
    assert told["by_link"]["code"] == 0, told["by_link"]["text"]
    assert "Traceback" not in told["by_link"]["text"]
