"""Recorders measured by the calibration transfer, and stems sent at the levels proposed from that, against the truth.

    envs/run python tests/bench/recorders.py [50]

Prints its own table: errors of maximum output level, usable range and band edges, level controls missed and invented; how far the
loudest moments come from the distortion chosen.
"""

import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2] / "workflow" / "scripts")]


def one(seed):
    """Errors of one machine as a dict of numbers; None where a figure was not given."""
    from bounceproof.planning.measured_recorder import measure_recorder
    from random_machines import calibrated, draw, loudest_errors_db, truth_of

    machine = draw(seed)
    calibration = calibrated(machine)
    truth = truth_of(machine, calibration)
    found = measure_recorder(calibration.capture, calibration.transfer.facts, medium=machine.medium, speed_search_percent=12)
    octaves = [
        abs(np.log2(edges[f"{name}_hz"] / due))
        for edges in found["edges"]
        for name, due in zip(("low", "high"), truth.edges_hz[edges["down_db"]], strict=True)
        if edges[f"{name}_hz"] and due
    ]
    full = found["full"]
    return {
        "seed": seed,
        "kind": machine.kind,
        "output_db": full and full["output_dbfs"] - truth.output_db,
        "output_sigma_db": full and full["sigma_db"],
        "send_db": full and not truth.control and full["send_db"] - truth.send_db,
        "range_db": full and found["usable_range_db"] - truth.usable_range_db,
        "edges": len(octaves),
        "octaves": max(octaves, default=np.nan),
        "control": truth.control,
        "found": found["level_control"]["found"],
        "reached": full and full["reached"],
        "loudest_db": [] if truth.control or not full else loudest_errors_db(machine, found),
    }


def main(count):
    rows = []
    for seed in range(count):
        rows.append(one(seed))
        shown = {key: round(value, 3) if isinstance(value, float) else value for key, value in rows[-1].items()}
        print(shown, flush=True)
    given = [row for row in rows if row["output_db"] is not None]
    for name, key, most in (("maximum output level", "output_db", 1.0), ("usable range", "range_db", 1.0)):
        errors = np.abs([row[key] for row in given])
        within = f"{np.sum(errors <= most)} of {len(errors)} within {most:g} dB, largest {errors.max():.2f}"
        print(f"{name}: {within}, given {len(given)} of {count}")
    octaves = np.array([row["octaves"] for row in rows])
    print(f"band edges within a sixth of an octave: {np.sum(octaves <= 1 / 6)} of {count}, largest {np.nanmax(octaves):.3f}")
    controls = [row for row in rows if row["control"]]
    missed = sum(not row["found"] for row in controls)
    invented = sum(row["found"] and not row["control"] for row in rows)
    print(f"level control: missed {missed} of {len(controls)}, invented {invented} of {count - len(controls)}")
    errors = np.abs([error for row in rows for error in row["loudest_db"]])
    print(
        f"loudest moments within 1.5 dB of the limit: {np.sum(errors <= 1.5)} of {errors.size} stems, largest {errors.max():.2f}"
    )
    inside = np.mean([abs(row["output_db"]) <= 1.96 * row["output_sigma_db"] for row in given])
    print(f"95 % interval of the maximum output level holds in {100 * inside:.0f} % of {len(given)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
