"""What a run says of itself: how far, how long still, for which track; in the terminal now and then, in the log always."""

import json
from types import SimpleNamespace

import pytest


@pytest.fixture
def progress(monkeypatch):
    from chain import PROJECT

    monkeypatch.syspath_prepend(str(PROJECT / "workflow"))
    import progress

    return progress


class Run:
    """A run told event by event, with a clock of its own."""

    def __init__(self, progress, folder, *, cores=2):
        self.now_s, self.said = 0.0, []
        options = {"song_s": 60.0, "cores": lambda: cores, "say": self.said.append, "clock": lambda: self.now_s}
        self.listener, self.folder = progress.Progress(folder, **options), folder

    def tell(self, event, **values):
        self.listener.emit(SimpleNamespace(event=SimpleNamespace(name=event), **values))

    def begin(self, **stats):
        self.tell("RUN_INFO", stats={**stats, "total": sum(stats.values())})

    def job(self, number, rule, message, seconds):
        self.tell("JOB_INFO", jobid=number, rule_name=rule, rule_msg=message)
        self.now_s += seconds
        self.tell("JOB_FINISHED", job_id=number)

    def log(self):
        return (self.folder / "progress.log").read_text(encoding="utf-8").splitlines()


def test_each_job_is_logged_with_what_is_left(progress, tmp_path):
    run = Run(progress, tmp_path, cores=1)
    run.begin(align_return=3, all=1)
    run.job(1, "align_return", "Aligning drum, take1", 20.0)
    # Two more like it on one core: 40 s.
    assert run.log()[-1].endswith("done: Aligning drum, take1, took 20 s; 1 of 4 done after 20 s, about 40 s left")
    assert run.said == ["  1 of 4 done after 20 s, about 40 s left"]
    run.job(2, "align_return", "Aligning bass, take1", 10.0)
    assert run.log()[-1].endswith("2 of 4 done after 30 s, about 15 s left")
    run.listener.end(finished=True)
    assert "finished: 2 of 4 done" in run.log()[-1]
    assert json.loads((tmp_path / "durations.json").read_text()) == {"align_return": 15.0}


def test_the_next_run_knows_how_long_jobs_took(progress, tmp_path):
    (tmp_path / "durations.json").write_text('{"align_return": 30.0, "measure_return": 4.0}')
    run = Run(progress, tmp_path)
    run.begin(align_return=4, measure_return=2)
    assert run.log()[-1].endswith("begun: 6 jobs, 2 at a time, about 64 s in all")
    run.listener.end(finished=False)
    assert "stopped, not everything was finished" in run.log()[-1]


def test_guesses_learn_from_jobs_of_other_rules(progress, tmp_path):
    (tmp_path / "durations.json").write_text('{"align_return": 30.0, "measure_return": 4.0}')
    expected = progress.Expected({"align_return": 30.0, "measure_return": 4.0}, 60.0)
    for _ in range(100):
        expected.took("measure_return", 8.0)
    assert expected.of("measure_return") == 8.0
    assert expected.of("align_return") == pytest.approx(60.0, rel=0.03)


def test_a_longer_song_is_expected_to_take_longer(progress):
    short, long = (progress.Expected({}, seconds) for seconds in (60.0, 600.0))
    assert long.of("align_return") > 5 * short.of("align_return")


def test_long_jobs_say_they_are_still_at_it(progress, tmp_path, monkeypatch):
    run = Run(progress, tmp_path)
    run.begin(align_return=1)
    run.tell("JOB_INFO", jobid=1, rule_name="align_return", rule_msg="Aligning drum, take1")
    run.now_s = 25.0
    run.listener._over.wait(2.5)
    assert any("Now: Aligning drum, take1 (25 s of about" in line for line in run.said)
    run.listener.end(finished=True)


@pytest.mark.parametrize("content", ["", "[1]", '{"a": "x"}', "\x00"])
def test_a_broken_file_of_durations_is_no_trouble(progress, tmp_path, content):
    (tmp_path / "durations.json").write_text(content)
    run = Run(progress, tmp_path)
    run.begin(align_return=1)
    assert "begun: 1 jobs" in run.log()[-1]


def test_a_dry_run_leaves_nothing_behind(progress, tmp_path):
    run = Run(progress, tmp_path / "logs", cores=0)
    run.begin(align_return=1)
    run.tell("JOB_INFO", jobid=1, rule_name="align_return", rule_msg="Aligning drum, take1")
    run.listener.end(finished=True)
    assert not (tmp_path / "logs").exists()
