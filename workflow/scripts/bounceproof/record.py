"""The record of a run: what was read, with which settings, code and versions, and what came out.

Conventions: machine-independent - paths are relative to the session's folder ("session/..."), the project ("project/...") or the
results ("results/..."); hashes are SHA-256 in hexadecimal; no date, no host, no user.
"""

import re
import sys
from importlib import metadata
from pathlib import Path

from bounceproof.files import file_sha256, read_json

PACKAGES = ("numpy", "scipy", "numba", "soundfile", "soxr", "pandas", "matplotlib", "jinja2", "pyloudnorm", "snakemake")


def package_versions():
    """{package: version} of what the results rest on; None for one that is not there."""
    versions = {"python": f"{sys.version_info.major}.{sys.version_info.minor}"}
    for name in PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            versions[name] = None
    return versions


class Places:
    """The folders that paths are told relative to. folders: {word: folder}; the longest that fits wins."""

    def __init__(self, folders):
        known = [(word, Path(folder).resolve()) for word, folder in folders.items() if folder]
        self.folders = sorted(known, key=lambda one: -len(one[1].parts))

    def relative(self, path):
        """A path as "word/inside/it"; one outside all folders by its name alone."""
        full = Path(path).resolve()
        for word, folder in self.folders:
            if full.is_relative_to(folder):
                return "/".join((word, *full.relative_to(folder).parts))
        return f"elsewhere/{full.name}"

    def cleaned(self, value):
        """A plain value with every absolute path in its text made relative."""
        if isinstance(value, dict):
            return {key: self.cleaned(item) for key, item in value.items()}
        if isinstance(value, (list, tuple)):
            return [self.cleaned(item) for item in value]
        return self._text(value) if isinstance(value, str) else value

    def _text(self, text):
        for word, folder in self.folders:
            text = re.sub(re.escape(str(folder)) + r"(?=[/\\]|$|[\s:;,'\"])", word, text)
        return self.relative(text) if Path(text).is_absolute() and "\n" not in text else text


def record(session, files, *, chosen, places, results=(), numbers=None, code=None, files_sha256=None, hash_of=file_sha256):
    """The value of record.json. files, results: paths read and made; chosen: {track: take or None}; places: Places; numbers: of
    `numbers`; code: {rule: what its code amounts to}; files_sha256: of the files, where they are known; hash_of: tells a path's.
    """

    def hashes(paths, known=None):
        return dict(sorted(zip(map(places.relative, paths), known or map(hash_of, paths), strict=True)))

    return {
        "name": session["name"],
        "chain": session.get("chain"),
        "seed": session.get("seed"),
        "chosen_takes": chosen,
        "files_sha256": hashes(files, files_sha256),
        "results_sha256": hashes(results),
        "numbers": numbers or {},
        "code": dict(sorted((code or {}).items())),
        "versions": package_versions(),
        "session": places.cleaned({key: value for key, value in session.items() if key not in ("folder", "results_dir")}),
    }


def chosen_by_track(tracks, abouts):
    """{track: the take that goes on, or None while it waits} for the session's tracks; abouts: values of chosen.json."""
    chosen = {about["track"]: about["take"] for about in abouts}
    return {track["track"]: chosen.get(track["track"]) for track in tracks}


def present(files, settings, code, **hashes):
    """The value of record.json that the present files amount to.

    files: files (all that was read), made (results to be hashed), chosen, alignments, conditions (lists, an entry for each track
    with a take), pair_summaries, stack, reference; settings: session (its record), project_dir; code and hashes as for `record`.
    """
    session = settings["session"]
    folders = {"session": session["folder"], "results": session["results_dir"], "project": settings["project_dir"]}
    abouts = [read_json(path) for path in files.chosen]
    takes = zip(map(read_json, files.alignments), map(read_json, files.conditions), strict=True)
    names = [about["track"] for about in abouts]
    pairs = [read_json(path) for path in files.pair_summaries]
    return record(
        session,
        files.files,
        chosen=chosen_by_track(session["tracks"], abouts),
        places=Places(folders),
        results=files.made,
        numbers=numbers(dict(zip(names, takes, strict=True)), pairs, read_json(files.stack), read_json(files.reference)),
        code=code,
        **hashes,
    )


# What a record keeps of each track: its name there, where it stands in alignment.json or condition.json, and its one standard
# deviation's place (None where it has none).
_OF_ALIGNMENT = (
    ("speed_percent", "speed_sigma_percent"),
    ("polarity", None),
    ("level_db", "level_sigma_db"),
    ("clicks_only_rms_us", None),
    ("residual_rms_us", None),
    ("offset_sigma_us", None),
    ("drift_percent", "drift_sigma_percent"),
    ("wow_percent", "wow_sigma_percent"),
    ("flutter_percent", "flutter_sigma_percent"),
    ("weighted_flutter_percent", "weighted_flutter_sigma_percent"),
)
_OF_CONDITION = (
    ("signal_over_hiss_db", ("signal_over_hiss_db",), ("signal_over_hiss_sigma_db",)),
    ("hiss_flat_dbfs", ("hiss", "flat_dbfs"), ("hiss", "flat_sigma_db")),
    ("hiss_under_music_dbfs", ("hiss_under_music", "flat_dbfs"), ("hiss_under_music", "flat_sigma_db")),
    ("band_low_hz", ("band", "low_hz"), None),
    ("band_high_hz", ("band", "high_hz"), None),
)
_OF_MIX = ("loudness_lufs", "loudness_range_lu", "true_peak_dbtp", "correlation_with_source", "band_low_hz", "band_high_hz")


def numbers(tracks, pairs, stack, reference):
    """What came out, as {"tracks": {track: ...}, "pairs": ..., "hiss of the stack": ..., "mixes": ...}; a number is a dict of
    value and sigma (None where it has none).

    tracks: {track: (alignment, condition)} of the chosen takes; pairs: values of PAIR.json; stack, reference: of their files.
    """
    mixes = {name: _plain({key: mix.get(key) for key in _OF_MIX}) for name, mix in (reference.get("mixes") or {}).items()}
    timing = reference.get("timing") or {}
    between = {"between_tracks_us": timing.get("median_us"), "between_tracks_clicks_us": timing.get("clicks_median_us")}
    total = _number(*(_at(stack, ("total", key)) for key in ("flat_dbfs", "flat_sigma_db")))
    hiss = {
        "programme_over_hiss_db": stack.get("programme_over_hiss_db"),
        "muted_mean_dbfs": _at(stack, ("with_muting", "mean_dbfs")),
    }
    return {
        "tracks": {track: _of_track(*values) for track, values in tracks.items()},
        "pairs": {pair["pair"]: _of_pair(pair) for pair in pairs},
        "hiss of the stack": {"all tracks": {"flat_dbfs": total, **_plain(hiss)}},
        "mixes": {**mixes, "timing": _plain(between)} if mixes else {},
    }


def _of_track(alignment, condition):
    found = {key: _number(alignment.get(key), alignment.get(sigma)) for key, sigma in _OF_ALIGNMENT}
    for key, place, sigma in _OF_CONDITION:
        found[key] = _number(_at(condition, place), _at(condition, sigma) if sigma else None)
    return {"state": alignment.get("state"), "simulated": bool(alignment.get("simulated")), **found}


def _of_pair(pair):
    ours = pair.get("aligned") or {}
    return {
        "state": pair["state"],
        "simulated": bool(pair.get("simulated")),
        "adds_up_to_hz": _number(ours.get("adds_up_to_hz"), None),
        "delay_us": _number(ours.get("delay_us"), ours.get("delay_sd_us")),
        "rms_us": _number(ours.get("rms_us"), None),
        "sum_loss_db": _number(ours.get("sum_loss_db"), None),
        "clicks_adds_up_to_hz": _number((pair.get("clicks") or {}).get("adds_up_to_hz"), None),
        "clicks_rms_us": _number((pair.get("clicks") or {}).get("rms_us"), None),
    }


def _plain(values):
    return {key: _number(value, None) for key, value in values.items()}


def _number(value, sigma):
    return {"value": value, "sigma": sigma}


def _at(values, place):
    for key in place:
        values = (values or {}).get(key)
    return values


def read_record(path):
    """A record.json as it was written. Raises OSError with one sentence where it is none."""
    try:
        found = read_json(path)
    except FileNotFoundError:
        raise OSError(f"{path}: there is no such record; run the session first, or name a record.json that was kept.") from None
    except (UnicodeDecodeError, ValueError):
        found = None
    if not isinstance(found, dict) or not {"files_sha256", "versions", "session"} <= set(found):
        raise OSError(f"{path}: this is no record of a run; expected is a record.json as a run writes it.")
    return found
