"""How often a forecast's 80 % ranges hold what simulated sessions then show: signal over hiss, timing by two clicks.

    envs/run python tests/bench/forecast_holds.py [200]

Each session is a recorder drawn anew and a stem sent through it as audio. Prints its own table.
"""

import sys
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent / "workflow" / "scripts")]

BAND_HZ, SECONDS = (400.0, 4000.0), 8.0
MEDIUM = {
    "band_low_hz": BAND_HZ[0],
    "band_high_hz": BAND_HZ[1],
    "hiss_below_full_db": 35,
    "speed_error_percent": 3,
    "wow_flutter_percent": 0.9,
    "automatic_level": False,
}


def what_came(stem, expected, seed):
    """(signal over hiss in dB, rms by two clicks in us) of one session, from its audio and its true map."""
    import simulated
    from bounceproof import spectra
    from bounceproof.condition import level as levels
    from bounceproof.planning.forecast import drawn_recorder, nominal_hiss
    from bounceproof.recorder import resolve

    rate_hz = simulated.RATE_HZ
    settings = nominal_hiss(resolve(drawn_recorder(expected, seed)), BAND_HZ, rate_hz)
    laid = simulated.lay(stem, settings, seed)
    bands = levels.analysis_bands(rate_hz)
    chosen = levels.inside(bands, BAND_HZ)
    powers = spectra.band_powers([stem, laid.aligned], rate_hz, bands)[:, :, chosen].sum(axis=2)
    quiet = laid.done.truth.hiss[: int(4 * rate_hz)]
    hiss = spectra.band_powers([quiet], rate_hz, bands)[:-1, 0, chosen].sum(axis=1).mean()
    signal = powers[spectra.playing(powers[:, 0]), 1].mean() - hiss
    start_s = simulated.LEAD_S + simulated.GAP_S
    sent_s = np.linspace(start_s, start_s + SECONDS, 400)
    heard_s = laid.done.truth.capture_at(sent_s)
    error_us = 1e6 * (heard_s - np.interp(sent_s, sent_s[[0, -1]], heard_s[[0, -1]]))
    return 10 * np.log10(max(signal, 1e-30) / hiss), float(np.std(error_us))


def main(count):
    import simulated
    from bounceproof.planning.forecast import Stem, expected_of_medium, forecast

    expected = expected_of_medium(MEDIUM, full_send_db=-3.0)
    stems = [0.5 * simulated.music(SECONDS, seed) / np.abs(simulated.music(SECONDS, seed)).max() for seed in (1, 2)]
    held = {"signal over hiss": [], "timing by two clicks": []}
    told = []
    for stem in stems:
        one = {"track": "x", "mix_db": 0.0, "role_bands": []}
        one["stem"] = Stem(stem, simulated.RATE_HZ, BAND_HZ, send_db=-6.0, control=None)
        told.append(forecast([one], expected, band_hz=BAND_HZ, rate_hz=simulated.RATE_HZ, draws=200, seed=7))
    for k in range(count):
        said = told[k % 2]
        over_db, timing_us = what_came(stems[k % 2], expected, 100_000 + k)
        for name, value, (low, _, high) in (
            ("signal over hiss", over_db, said["tracks"][0]["over_hiss_db"]),
            ("timing by two clicks", timing_us, said["two_click_rms_us"]),
        ):
            held[name].append(low <= value <= high)
        if (k + 1) % 20 == 0:
            print({name: f"{100 * np.mean(values):.0f} % of {len(values)}" for name, values in held.items()}, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
