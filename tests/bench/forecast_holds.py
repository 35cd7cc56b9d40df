"""How often a forecast's 80 % ranges and its odds hold what simulated sessions then show.

    envs/run python tests/bench/forecast_holds.py [200] [of which followed: all]

Each session is a recorder drawn anew, and three stems sent through it as audio: their transfers are made, recorded, laid and
measured as a real session's are. One of the three, in turn, is followed by the rule itself, which takes most of the time; the
others are laid by the recorder's own true map. Prints its own table: by kind of figure how often the range held it, and beside
the odds told how often what was likeliest came.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent / "workflow" / "scripts")]

BAND_HZ, SECONDS = (400.0, 4000.0), 6.0
MEDIUM = {
    "band_low_hz": BAND_HZ[0],
    "band_high_hz": BAND_HZ[1],
    "hiss_below_full_db": 35,
    "speed_error_percent": 3,
    "wow_flutter_percent": 0.9,
    "automatic_level": False,
}
TRANSFER = {"lead_in_s": 5.0, "gap_s": 1.5, "tail_s": 2.5, "click_below_peak_db": 14.0}
ROLE_BANDS = [
    {"name": "body", "low_hz": 250, "high_hz": 600, "importance": 3},
    {"name": "tone", "low_hz": 600, "high_hz": 2500, "importance": 3},
    {"name": "air", "low_hz": 3500, "high_hz": 6000, "importance": 3},
]


def stems():
    """{track: (samples, gain in the mix)}: one that plays throughout, one with rests, one of lows."""
    import simulated
    from bounceproof.filters import bandpass_response, filtered

    rate_hz = simulated.RATE_HZ
    low = filtered(
        simulated.music(SECONDS, 3), lambda freq_hz: bandpass_response(freq_hz, rate_hz, 60.0, 700.0, order=1), rate_hz
    )
    rests = ((1.5, 3.5), (4.5, 5.5))
    return {
        "dense": (simulated.music(SECONDS, 1), 0.0),
        "sparse": (simulated.music(SECONDS, 2, rests=rests), -3.0),
        "low": (low, 2.0),
    }


class Sent:
    """A stem and its transfer."""

    def __init__(self, track, number, samples, mix_db):
        import simulated
        from bounceproof.transfers import make_transfer

        self.track, self.mix_db, self.rate_hz = track, mix_db, simulated.RATE_HZ
        self.stem = 0.5 * samples / np.abs(samples).max()
        made = make_transfer(self.stem, self.rate_hz, number=number, band_hz=BAND_HZ, settings=TRANSFER, send_db=-6.0)
        self.sent, self.facts = made.samples, {"track": track, **made.facts}
        self.start_s = self.facts["stem_start_sample"] / self.rate_hz

    def forecast_from(self):
        from bounceproof.planning.forecast import Stem

        stem = Stem(self.sent, self.rate_hz, self.facts, BAND_HZ, control=None)
        return {"track": self.track, "stem": stem, "mix_db": self.mix_db, "role_bands": ROLE_BANDS}

    def returned(self, settings, seed, *, followed):
        """(alignment, condition, rows of bands.tsv) of its return from a recorder."""
        from bounceproof.condition.measure import measure_condition
        from bounceproof.recorder import simulate

        span_s = (self.start_s, self.start_s + SECONDS)
        done = simulate(self.sent, self.rate_hz, settings, seed=seed, stem_span_s=span_s)
        alignment, aligned = (self._followed if followed else self._truly_laid)(done)
        condition, rows = measure_condition(
            self.stem,
            aligned,
            done.capture,
            done.rate_hz,
            alignment,
            rate_hz=self.rate_hz,
            band_hz=BAND_HZ,
            transfer=TRANSFER,
            role_bands=ROLE_BANDS,
        )
        return {"level_db": condition["level"]["measured_db"], **alignment}, condition, rows

    def _followed(self, done):
        from bounceproof.audio import read_mono, write_float_wav
        from bounceproof.files import read_json, write_json
        from one_align import align

        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for what, samples in (("capture", done.capture), ("stem", self.stem), ("transfer", self.sent)):
                write_float_wav(folder / f"{what}.wav", samples, self.rate_hz)
            write_json(folder / "facts.json", self.facts)
            align(folder, band_hz=BAND_HZ, alignment={"method": "follow", "speed_search_percent": 12.0})
            return read_json(folder / "alignment.json"), read_mono(folder / "aligned.wav")

    def _truly_laid(self, done):
        from bounceproof.aligning.maps import weighted_rms_us
        from bounceproof.reading import read_through
        from bounceproof.timemap import TimeMap

        true_map = done.truth.time_map(self.start_s, SECONDS)
        clicks_s = np.array([self.facts[f"{end}_click_sample"] for end in ("start", "end")]) / self.rate_hz
        back_s = done.truth.capture_at(clicks_s)
        line = TimeMap(clicks_s - self.start_s, back_s, 1.0)
        count = len(self.stem)
        aligned = read_through(done.capture, done.rate_hz, true_map, start_s=0.0, count=count, rate_hz=self.rate_hz)
        return {
            "state": "aligned",
            "method": "follow",
            "speed_percent": done.truth.speed_percent,
            "start_click_return_s": float(back_s[0]),
            "end_click_return_s": float(back_s[1]),
            "clicks_only_rms_us": weighted_rms_us(line, true_map, self.stem, self.rate_hz),
            "residual_rms_us": 0.0,
        }, aligned


class Count:
    """What held by kind of figure, and what was likeliest beside its odds."""

    def __init__(self):
        self.held, self.odds = {}, {}

    def range(self, kind, told, value):
        # What the report does not know is no figure of it.
        if value is not None:
            self.held.setdefault(kind, []).append(told[0] <= value <= told[-1])

    def likeliest(self, kind, share, came):
        self.odds.setdefault(kind, []).append((share, came))

    def lines(self):
        for kind, values in self.held.items():
            yield f"{kind}: {100 * np.mean(values):.1f} % of {len(values)} in the range"
        for kind, pairs in self.odds.items():
            told, came = np.mean(pairs, axis=0)
            yield f"{kind}: told {100 * told:.1f} % on the average, came {100 * came:.1f} % of {len(pairs)}"


def session(k, sent, said, expected, count, *, followed):
    """Count what one session shows. followed: which of its stems is, None for none."""
    from bounceproof import stack
    from bounceproof.planning.forecast import drawn_recorder, nominal_hiss
    from bounceproof.recorder import resolve

    settings = nominal_hiss(resolve(drawn_recorder(expected, 100_000 + k)), BAND_HZ, sent[0].rate_hz)
    layers = []
    for i, (one, told) in enumerate(zip(sent, said["tracks"], strict=True)):
        alignment, condition, rows = one.returned(settings, 1000 * k + i, followed=i == followed)
        if alignment["state"] != "aligned":
            print(f"session {k}, {one.track}: {alignment['reason']}", flush=True)
            continue
        count.range("signal over hiss", told["over_hiss_db"], condition["signal_over_hiss_db"])
        for which, ours in (("its track", told), ("any track", said)):
            count.range(f"timing by two clicks, of {which}", ours["two_click_rms_us"], alignment["clicks_only_rms_us"])
        if i == followed:
            count.range("timing when followed", told["followed_rms_us"], alignment["residual_rms_us"])
        roles(told["role_bands"], condition["role_bands"], count)
        layer, _ = stack.layer({"track": one.track, "take": "x", "mix_db": one.mix_db, "pan": 0}, alignment, condition, rows)
        layers += [layer] if layer else []
    stacked = stack.stacked(layers, song_s=SECONDS)
    count.range("programme over the hiss of the stack", said["programme_over_hiss_db"], stacked["programme_over_hiss_db"])


def roles(told, came, count):
    """Count the bands of a role: distance over the hiss, its word, and the track's by its most important bands."""
    from bounceproof import verdicts
    from bounceproof.planning.forecast import points

    for ours, theirs in zip(told, came, strict=True):
        count.range("a role's bands over the hiss", points(ours["over_hiss_db"]), theirs["signal_over_hiss_db"])
        shares = verdicts.odds(ours["over_hiss_db"])
        word = max(shares, key=shares.get)
        count.likeliest("what survives of a role's bands", shares[word], kept(theirs) == word)
    expected, share = verdicts.expected_word(told)
    lost = any(kept(band) == "lost" for band in came)
    count.likeliest("a track's word by its bands", share, expected == (verdicts.AGAIN if lost else verdicts.READY))


def kept(band):
    """The word for a band that came; where nothing of it is told from the hiss it is lost."""
    from bounceproof import verdicts

    over_db = band["signal_over_hiss_db"]
    return "lost" if over_db is None else verdicts.kept(over_db)


def main(sessions, followed):
    from bounceproof.planning.forecast import expected_of_medium, forecast

    expected = expected_of_medium(MEDIUM, full_send_db=-3.0)
    sent = [Sent(track, k + 1, *stem) for k, (track, stem) in enumerate(stems().items())]
    tracks = [one.forecast_from() for one in sent]
    said, count = forecast(tracks, expected, band_hz=BAND_HZ, rate_hz=sent[0].rate_hz, seed=7), Count()
    for k in range(sessions):
        before, after = k * followed // sessions, (k + 1) * followed // sessions
        session(k, sent, said, expected, count, followed=before % len(sent) if after > before else None)
        if (k + 1) % 20 == 0 or k + 1 == sessions:
            print(f"{k + 1} sessions", *count.lines(), sep="\n  ", flush=True)


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    main(wanted, int(sys.argv[2]) if len(sys.argv) > 2 else wanted)
