"""A session's folder read into one plain record.

Conventions: plain Python all through (text, numbers, lists, dicts), so that a workflow can compare it; every path is absolute;
every mistake is gathered first and all are raised together.
"""

import math
import os.path
from pathlib import Path

from bounceproof.session import returned, tracklist
from bounceproof.session.mistakes import Mistakes, SessionMistakes, did_you_mean, nearest, place, shown
from bounceproof.session.naming import name_problem, safe_name
from bounceproof.session.results import results_problem
from bounceproof.session.settings import (
    Settings,
    checked,
    departures,
    merged,
    read_schema,
    read_settings,
    with_defaults,
)
from bounceproof.session.stems import demo_stems, length_samples, usual_rate_hz

SESSION = "session.yaml"
_SCHEMAS = ("session", "media", "roles", "tracks", "pairs", "takes")
# A band ends below half the sample rate; converters' filters need some room there.
_HIGHEST_SHARE = 0.45
_LIMITS = (
    ("sum_loss_ok_db", "sum_loss_poor_db"),
    ("signal_over_hiss_marginal_db", "signal_over_hiss_kept_db"),
    ("residual_ok_us", "residual_poor_us"),
    ("programme_over_stack_poor_db", "programme_over_stack_ok_db"),
)


def load_session(folder, *, config_dir, project_dir):
    """A session's record: settings, medium, roles, tracks, pairs, takes, captures and notes, completed with defaults.

    folder: the session's folder (or its session.yaml); config_dir: where media.yaml and roles.yaml lie; project_dir: where
    workflow/schemas and results/ lie. Only headers of audio are read, except for floating-point stems not prepared yet, which
    are looked through for samples that are not finite. Raises SessionMistakes with one line for every mistake.
    """
    folder, mistakes = _session_folder(folder), Mistakes()
    schemas_dir = Path(project_dir) / "workflow" / "schemas"
    schemas = {name: read_schema(schemas_dir, name) for name in _SCHEMAS}
    settings = read_settings(folder / SESSION, SESSION, mistakes)
    if settings is None:
        settings = Settings(SESSION, {}, {}, {})
    if isinstance(settings.value.get("alignment"), str):
        settings.value["alignment"] = {"method": settings.value["alignment"]}
    value = checked(settings, schemas["session"], mistakes)
    media = _catalogue("media", config_dir, settings, value, schemas, mistakes)
    roles = _catalogue("roles", config_dir, settings, value, schemas, mistakes)
    session = _head(folder, value, media, settings, Path(project_dir), mistakes)
    _check_limits(session, settings, mistakes)
    _check_recorder(session, settings, mistakes)
    _add_tracks(session, value, schemas, roles, mistakes)
    _check_band(session, settings, mistakes)
    _check_figures(session, settings, mistakes)
    _add_takes(session, schemas, mistakes)
    mistakes.raise_if_any()
    session["roles"] = {role: _without_words(entry) for role, entry in roles.items()}
    session["notes"] = mistakes.notes
    return {key: item for key, item in session.items() if not key.startswith("_")}


def _session_folder(folder):
    folder = Path(os.path.expanduser(folder)).absolute()
    if folder.is_file():
        folder = folder.parent
    if not folder.is_dir():
        raise SessionMistakes(
            [f"session folder {folder}: there is no such folder; give the path of a folder that holds a {SESSION}"]
        )
    if not (folder / SESSION).is_file():
        text = "there is no such file; make one (it may be empty), or let new_session write it from the stems"
        raise SessionMistakes([f"{folder / SESSION}: {text}"])
    return folder


def _catalogue(name, config_dir, settings, value, schemas, mistakes):
    """media.yaml or roles.yaml with the session's own entries laid over, checked and completed."""
    path = Path(config_dir) / f"{name}.yaml"
    base = read_settings(path, f"{path.parent.name}/{path.name}", mistakes) or Settings(path.name, {}, {}, {})
    both = merged(base.value, value.get(name, {}))
    schema, sound = schemas[name]["additionalProperties"], {}
    for entry, inner in both.items():
        found = departures(inner, schema)
        for path, text in found:
            in_session = entry in value.get(name, {}) and ((name, entry, *path) in settings.lines or entry not in base.value)
            source, full = (settings, (name, entry, *path)) if in_session else (base, (entry, *path))
            mistakes.add(source.where(full), f"{name} entry {shown(entry)}: {text}")
        if not found:
            sound[entry] = with_defaults(inner, schema)
            _check_edges(name, entry, sound[entry], settings if entry in value.get(name, {}) else base, mistakes)
    # What is broken is known all the same: naming it elsewhere is no second mistake.
    broken = None if name == "media" else with_defaults({"bands": []}, schema)
    return {entry: sound.get(entry, broken) for entry in both}


def _check_edges(name, entry, values, source, mistakes):
    path = (name, entry) if source.file == SESSION else (entry,)
    bands = values["bands"] if name == "roles" else [{"low_hz": values["band_low_hz"], "high_hz": values["band_high_hz"]}]
    for band in bands:
        if band["low_hz"] >= band["high_hz"]:
            found = f"a band from {band['low_hz']:g} to {band['high_hz']:g} Hz"
            mistakes.add(source.where(path), f"{name} entry {shown(entry)}: {found}; the lower edge has to be the smaller one")


def _without_words(entry):
    return {key: item for key, item in entry.items() if key != "words"}


def _head(folder, value, media, settings, project_dir, mistakes):
    name = value["name"] or safe_name(folder.name, "session")
    problem = name_problem(name, "session")
    if problem:
        mistakes.add(settings.where(("name",)), f"name {shown(name)}: {problem}")
    asked = value["results_dir"]
    results = os.path.expanduser(asked) if asked else project_dir.absolute() / "results" / name
    results_dir = Path(os.path.normpath(folder / results))
    problem = None if problem else results_problem(folder, results_dir)
    if problem:
        key = "results_dir" if value["results_dir"] else "name"
        mistakes.add(settings.where((key,)), f"results folder {results_dir}: {problem}")
    chain = value["chain"]
    return {
        "name": name,
        "folder": str(folder),
        "results_dir": str(results_dir),
        "sample_rate_hz": value["sample_rate_hz"],
        "song_samples": 0,
        "chain": "\n".join(f"{what}: {text}" for what, text in chain.items()) if isinstance(chain, dict) else chain.strip(),
        "seed": value["seed"],
        "fill_missing": value["fill_missing"],
        "stems_from": value["stems_from"],
        "medium": _medium(value["medium"], media, settings, mistakes),
        "alignment": value["alignment"],
        "transfer": value["transfer"],
        "matching": value["matching"],
        "thresholds": value["thresholds"],
        "mix": value["mix"],
        "figures": value["figures"],
        "recorder": value["recorder"],
        "roles": {},
        "tracks": [],
        "pairs": [],
        "takes": {},
        "take_rows": [],
        "captures": [],
        "calibrations": [],
        "wires": [],
        "trials": {},
        "notes": [],
    }


def _medium(name, media, settings, mistakes):
    known = {medium.casefold(): medium for medium in media}
    found = known.get(name.casefold())
    if found is None:
        near = nearest(name, media)
        hint = f"did you mean {near}? known" if near else "known"
        mistakes.add(settings.where(("medium",)), f"medium {shown(name)} is not known; {hint}: {', '.join(media)}")
    if found is None or media[found] is None:
        return None
    return {"name": found, **media[found], "label": media[found]["label"] or found}


def _check_limits(session, settings, mistakes):
    limits = session["thresholds"]
    for small, large in _LIMITS:
        if small in limits and large in limits and limits[small] > limits[large]:
            path = next((("thresholds", key) for key in (small, large) if ("thresholds", key) in settings.lines), ("thresholds",))
            mistakes.add(
                settings.where(path),
                f"{small} is {limits[small]:g} and {large} {limits[large]:g}; {small} may be at most {large}: change one of them",
            )
    medium, search = session["medium"], session["alignment"].get("speed_search_percent")
    if medium and search is not None and medium["speed_error_percent"] > search:
        mistakes.add(
            settings.where(("alignment", "speed_search_percent")),
            f"speed_search_percent is {search:g}, but the medium {medium['name']} may be off by "
            f"{medium['speed_error_percent']:g} percent; search at least as far",
        )


def _check_figures(session, settings, mistakes):
    """Names that figures are asked for have to be there."""
    tracks = {name for track in session["tracks"] for name in (track["track"], track["parent"])}
    known = {"tracks": tracks, "labels": tracks | {pair["pair"] for pair in session["pairs"]}}
    for key, names in known.items():
        for name in session["figures"].get(key) or ():
            if names and name not in names:
                text = f"figures.{key} names {shown(name)}, which is not there; {did_you_mean(name, sorted(names))}"
                mistakes.add(settings.where(("figures", key)), text)


def _check_recorder(session, settings, mistakes):
    """Complete the simulated recorder from the medium and let the recorder's own settings say what is wrong with it."""
    from bounceproof.recorder.presets import RecorderProblem, resolve

    recorder, medium = session["recorder"], session["medium"]
    given = recorder["preset"] is not None
    session["recorder_given"] = given or bool(recorder["settings"])
    recorder["preset"] = recorder["preset"] or (medium["recorder_preset"] if medium else None)
    if medium and session["transfer"].get("side_minutes") is None:
        session["transfer"]["side_minutes"] = medium["side_minutes"]
    try:
        resolve(recorder)
    except RecorderProblem as problem:
        text = " ".join(str(problem).split())
        mistakes.add(settings.where(("recorder", "preset") if given else ("recorder",)), f"recorder: {text}")


def _check_band(session, settings, mistakes):
    medium, rate_hz = session["medium"], session["sample_rate_hz"]
    if not medium or not rate_hz:
        return
    highest_hz = math.floor(_HIGHEST_SHARE * rate_hz)
    if medium["band_low_hz"] >= highest_hz:
        mistakes.add(
            settings.where(("sample_rate_hz",)),
            f"the medium's band begins at {medium['band_low_hz']:g} Hz, above what {rate_hz} Hz can hold; choose a higher rate",
        )
    elif medium["band_high_hz"] > highest_hz:
        mistakes.note(
            None, f"the band of {medium['name']} ends at {highest_hz} Hz here, because of the sample rate of {rate_hz} Hz"
        )
        medium["band_high_hz"] = highest_hz


def _add_tracks(session, value, schemas, roles, mistakes):
    folder = Path(session["folder"])
    song = demo_stems(session["seed"], session["results_dir"]) if session["stems_from"] == "demo_song" else None
    records = tracklist.read_tracks(folder, schemas["tracks"], song, mistakes)
    stems = {r.number: tracklist.stem_of(r, folder, song, mistakes) for r in records}
    stems = {number: stem for number, stem in stems.items() if stem is not None}
    if song is None:
        tracklist.check_finite(records, stems, session["results_dir"], mistakes)
    rate_hz = session["sample_rate_hz"] or usual_rate_hz(list(stems.values()))
    session["sample_rate_hz"] = rate_hz
    session["song_samples"] = max((length_samples(stem, rate_hz) for stem in stems.values()), default=0)
    entries, rows = [], []
    for record in records:
        role = tracklist.check_role(record, roles, mistakes)
        stem = stems.get(record.number)
        channel = "mono" if stem is None else tracklist.check_channel(record, stem, mistakes) or "mono"
        made = tracklist.expanded(
            record, role, channel, stem and stem.path, stem and stem.channels, value["transfer"].get("send_db")
        )
        entries += made
        rows += [record] * len(made)
        if stem is not None:
            _note_stem(record.values["track"], stem, session, mistakes)
    tracklist.check_clashes(entries, rows, mistakes)
    tracklist.number_transfers(entries, mistakes)
    session["tracks"], session["_rows"] = entries, rows
    session["pairs"] = tracklist.read_pairs(folder, schemas["pairs"], entries, mistakes)


def _note_stem(track, stem, session, mistakes):
    rate_hz, name = session["sample_rate_hz"], Path(stem.path).name
    for text in stem.notes:
        mistakes.note(track, f"stem {name}: {text}")
    if stem.rate_hz != rate_hz:
        mistakes.note(track, f"stem {name} has {stem.rate_hz} Hz, the session {rate_hz}; it is resampled")
    missing = session["song_samples"] - length_samples(stem, rate_hz)
    if missing:
        mistakes.note(track, f"stem {name} ends {missing / rate_hz:.3f} s before the longest; it is padded with silence")


def _add_takes(session, schemas, mistakes):
    folder, entries = Path(session["folder"]), session["tracks"]
    parent_of = {entry["track"]: entry["parent"] for entry in entries}
    names = list(dict.fromkeys([*parent_of, *parent_of.values()]))
    found = returned.look_through(folder, names, mistakes)
    takes = returned.takes_of(found, entries, mistakes)
    rows = returned.read_take_rows(folder, schemas["takes"], names, mistakes)
    returned.check_take_rows(rows, takes, found.captures, parent_of, mistakes)
    returned.check_chosen_takes(
        entries,
        session["_rows"],
        takes,
        found.captures,
        lambda r, column: place(tracklist.TRACKS, row=r.number, column=column),
        mistakes,
    )
    for track, its_takes in takes.items():
        for take in its_takes:
            take |= returned.take_facts(rows, track, take["take"], parent=parent_of[track])
    session["takes"], session["take_rows"] = takes, rows
    session["captures"] = [str(path) for path in found.captures]
    session["calibrations"] = [str(path) for path in found.beside[returned.CALIBRATION]]
    session["wires"] = [str(path) for path in found.beside[returned.WIRE]]
    session["trials"] = returned.trials_of(found, entries, mistakes)
