"""The rule align_return run on one return without Snakemake, and how much memory it took.

    envs/run python tests/bench/one_align.py FOLDER

FOLDER holds capture.wav, stem.wav, transfer.wav and facts.json, as the rules before leave them; results go beside them. Prints
the largest resident memory of this process in bytes. Nothing else is imported here, so that it is the rule's own.
"""

import sys
from pathlib import Path
from types import SimpleNamespace

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))


def align(folder, *, band_hz, alignment):
    """Run the rule's main on a folder's files."""
    import align_return

    folder = Path(folder)
    names = {"capture": "capture.wav", "stem": "stem.wav", "transfer": "transfer.wav", "facts": "facts.json"}
    results = {
        "alignment": "alignment.json",
        "time_map": "time-map.tsv",
        "aligned": "aligned.wav",
        "clicks": "aligned-clicks.wav",
    }
    settings = {
        "track": "one",
        "take": "one",
        "simulated": True,
        "capture_channel": None,
        "partner": None,
        "alignment": alignment,
        "names": {},
        "band_low_hz": band_hz[0],
        "band_high_hz": band_hz[1],
    }
    align_return.main(
        SimpleNamespace(
            input=SimpleNamespace(others=[], **{key: str(folder / name) for key, name in names.items()}),
            output=SimpleNamespace(**{key: str(folder / name) for key, name in results.items()}),
            params=SimpleNamespace(settings=settings, content="made here"),
        )
    )


def peak_bytes():
    # Not getrusage: what it tells of a new process includes the one that started it.
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) * 1024


if __name__ == "__main__":
    align(sys.argv[1], band_hz=(350.0, 4200.0), alignment={"method": "follow", "speed_search_percent": 12.0})
    print(peak_bytes())
