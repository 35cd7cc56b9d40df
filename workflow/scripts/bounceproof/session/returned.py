"""The takes found in returns/, and what takes.tsv says about them.

Conventions: a take is a file in returns/TRACK/, named by its file without the ending, in natural order (take2 before take10),
never by date; what lies in returns/unsorted/ is a capture still to be sorted. Nothing is moved or renamed.
"""

import time
from pathlib import Path

from bounceproof.session.mistakes import did_you_mean, nearest, place, shown
from bounceproof.session.naming import composed, folded, name_problem, natural_key
from bounceproof.session.rows import read_records
from bounceproof.session.stems import is_audio_name, name_without_ending, passed_over

RETURNS, UNSORTED, TAKES = "returns", "unsorted", "takes.tsv"
CALIBRATION, TRIALS, WIRE = "calibration", "trials", "wire"
_DESKTOP_FILES = {"thumbs.db", "desktop.ini", "icon\r"}
_YOUNG_S, _SECOND_LOOK_S = 5.0, 1.0
_FACTS = ("side", "counter", "replay_of", "capture_gain_db", "battery_v", "note")


class Findings:
    """What lies in returns/: files by track (or stereo parent), unsorted captures; calibrations, trials, wires `beside`."""

    def __init__(self):
        self.by_folder = {}
        self.captures = []
        self.beside = {CALIBRATION: [], TRIALS: [], WIRE: []}


def look_through(folder, names, mistakes):
    """The audio files below returns/ as Findings; names: tracks and stereo parents that may have a folder there.

    Hidden files, companions of an audio file beside them (peaks and the like) and desktop files are passed over quietly,
    anything else with a note; so is a file that is still growing.
    """
    found, known = Findings(), {folded(name): name for name in names}
    if (Path(folder) / RETURNS).is_file():
        mistakes.note(None, f"{RETURNS} is a file; a folder is expected, so no return is seen")
    for entry in _visible(Path(folder) / RETURNS):
        name = f"{RETURNS}/{entry.name}"
        if not entry.is_dir():
            _note_stray(entry, name, names, mistakes)
        elif folded(entry.name) == UNSORTED:
            found.captures += _captures(entry, mistakes)
        elif folded(entry.name) in found.beside and folded(entry.name) not in known:
            found.beside[folded(entry.name)] += _audio_among(_visible(entry), name, "takes", None, mistakes)
        elif folded(entry.name) in known:
            track = known[folded(entry.name)]
            found.by_folder.setdefault(track, []).extend(_audio_among(_visible(entry), name, "takes", track, mistakes))
        else:
            near = nearest(entry.name, names)
            hint = f"did you mean {near}?" if near else "it is no track of this session"
            mistakes.note(None, f"{name}/ passed over; {hint}")
    return _without_growing(found, folder, mistakes)


def _visible(folder):
    if not folder.is_dir():
        return []
    entries = [p for p in folder.iterdir() if not p.name.startswith(".") and p.name.casefold() not in _DESKTOP_FILES]
    return sorted(entries, key=lambda p: natural_key(p.name))


def _note_stray(entry, name, names, mistakes):
    if is_audio_name(entry.name):
        track = nearest(name_without_ending(entry), names) or "TRACK"
        mistakes.note(None, f"{name} passed over; put it into {RETURNS}/{track}/ or into {RETURNS}/{UNSORTED}/")
    else:
        mistakes.note(None, f"{name} passed over")


def _audio_among(entries, folder, expected, track, mistakes):
    """The audio files among a folder's entries. folder: as it is told; expected: what they are ("takes"); track: its or None."""
    audio = [p for p in entries if is_audio_name(p.name) and p.is_file()]
    for entry in entries:
        if entry not in audio and not _companion(entry, audio):
            mistakes.note(track, f"{folder}/{entry.name} {passed_over(entry, expected)}")
    return audio


def _companion(entry, audio):
    """Whether a file belongs to an audio file beside it, by its name: take1.wav.xyz or take1.xyz beside take1.wav."""
    stem = folded(entry.name.rsplit(".", 1)[0])
    return entry.is_file() and any(stem in (folded(p.name), folded(name_without_ending(p))) for p in audio)


def _captures(folder, mistakes):
    """Audio files below returns/unsorted/, at any depth: recorders often make folders of their own."""
    captures, files = [], []
    for entry in _visible(folder):
        if entry.is_dir():
            captures += _captures(entry, mistakes)
        else:
            files.append(entry)
    return captures + _audio_among(files, folder.name, "captures", None, mistakes)


def _without_growing(found, folder, mistakes):
    """The findings less the files still being written: young ones are looked at twice, a second apart."""
    every = [p for files in [*found.by_folder.values(), *found.beside.values()] for p in files] + found.captures
    now = time.time()
    young = {p: p.stat().st_size for p in every if 0 <= now - p.stat().st_mtime < _YOUNG_S}
    if young:
        time.sleep(_SECOND_LOOK_S)
    growing = {p for p, size in young.items() if not p.is_file() or p.stat().st_size != size}
    for path in sorted(growing):
        mistakes.note(None, f"{path.relative_to(folder).as_posix()} is still growing; it is left for the next run")
    found.by_folder = {track: [p for p in files if p not in growing] for track, files in found.by_folder.items()}
    found.captures = [p for p in found.captures if p not in growing]
    found.beside = {name: [p for p in files if p not in growing] for name, files in found.beside.items()}
    return found


def takes_of(found, entries, mistakes):
    """The takes by track: {track: [{take, path, capture_channel, …}]}, natural order, for every track (maybe none).

    A file in the folder of a stereo track's parent is a take of both legs, by its channel 1 and 2 (capture_channel).
    """
    takes = {entry["track"]: [] for entry in entries}
    for track, its_takes in takes.items():
        for path in found.by_folder.get(track, []):
            _add_take(its_takes, track, path, None, mistakes)
    stereo = {}
    for entry in entries:
        if entry["track"] != entry["parent"]:
            stereo.setdefault(entry["parent"], {})[entry["track"]] = None
    for parent, legs in stereo.items():
        for path in found.by_folder.get(parent, []):
            if _two_channels(path, parent, mistakes):
                for channel, leg in enumerate(legs, 1):
                    _add_take(takes[leg], leg, path, channel, mistakes)
    return {track: sorted(found, key=lambda take: natural_key(take["take"])) for track, found in takes.items()}


def trials_of(found, entries, mistakes):
    """{track: path} of the trials that came back, each named by its file as the track."""
    known, trials = {folded(entry["track"]): entry["track"] for entry in entries}, {}
    for path in found.beside[TRIALS]:
        track = known.get(folded(composed(name_without_ending(path))))
        if track is None:
            mistakes.note(None, f"{RETURNS}/{TRIALS}/{path.name} passed over; name it as the track whose trial it is")
        else:
            trials[track] = str(path)
    return trials


def _add_take(takes, track, path, channel, mistakes):
    name = composed(name_without_ending(path))
    file = f"{RETURNS}/{path.parent.name}/{path.name}"
    problem = name_problem(name, "take")
    if problem:
        mistakes.add(file, f"take {shown(name)}: {problem}")
    for other in takes:
        if folded(other["take"]) == folded(name):
            both = f"{Path(other['path']).parent.name}/{Path(other['path']).name}"
            mistakes.add(
                file, f"it and {RETURNS}/{both} are both take {shown(name)} of {track} (case and ending do not count); rename one"
            )
            return
    takes.append({"take": name, "path": str(path), "capture_channel": channel})


def _two_channels(path, parent, mistakes):
    """Whether a file in a stereo parent's folder holds both legs; what cannot be read is left to the alignment to reject."""
    from bounceproof.audio import AudioProblem, look_at

    try:
        channels = look_at(path).channels
    except AudioProblem:
        return True
    if channels != 2:
        file = f"{RETURNS}/{path.parent.name}/{path.name}"
        mistakes.note(
            parent,
            f"{file} passed over: {channels} channel{'s' if channels > 1 else ''}, and {parent} is stereo; "
            f"put it into {RETURNS}/{parent}.L/ or {RETURNS}/{parent}.R/",
        )
    return channels == 2


def read_take_rows(folder, schema, parents, mistakes):
    """The rows of takes.tsv as [{row, track (or None: every track), take, side, …}]; parents: every track and stereo parent."""
    rows, known, seen = [], {folded(name): name for name in parents}, {}
    for record in read_records(folder, TAKES, schema, mistakes) or []:
        if not record.values.get("take"):
            continue
        track, take = _split(record.values["take"])
        where = place(TAKES, row=record.number, column="take")
        if track is not None and folded(track) not in known:
            mistakes.add(where, f"{shown(track)} is no track of this session; {did_you_mean(track, known.values())}")
            continue
        key = (track and folded(track), folded(take))
        if key in seen:
            mistakes.add(where, f"{shown(record.values['take'])} stands already in row {seen[key]}; keep one row")
        seen.setdefault(key, record.number)
        facts = {name: record.values[name] for name in _FACTS}
        rows.append({"row": record.number, "track": known.get(key[0]), "take": take, "given": sorted(record.given), **facts})
    return rows


def _split(cell):
    """TRACK/TAKE or TAKE, with or without the file's ending, as (track or None, take)."""
    parts = [part.strip() for part in cell.replace("\\", "/").split("/") if part.strip()]
    if parts and folded(parts[0]) == RETURNS and len(parts) > 2:
        parts = parts[1:]
    take = composed(name_without_ending(parts[-1])) if parts else ""
    return ("/".join(parts[:-1]) or None), take


def take_facts(take_rows, track, take, *, parent=None):
    """What takes.tsv says about one take: {side, counter, replay_of, capture_gain_db, battery_v, note}.

    A row for TRACK/TAKE wins, cell by cell, over one for its stereo parent, and that over one for TAKE alone.
    """
    facts = {"side": "", "counter": "", "replay_of": "", "capture_gain_db": None, "battery_v": None, "note": ""}
    for owner in dict.fromkeys((None, parent, track)):
        for row in take_rows:
            if row["track"] == owner and folded(row["take"]) == folded(take):
                facts |= {name: row[name] for name in _FACTS if name in row["given"]}
    return facts


def check_take_rows(take_rows, takes, captures, parent_of, mistakes):
    """Rows of takes.tsv that fit no take, and replays of a take that is not there, against the takes found.

    With unsorted captures, takes may still turn up, so an absent one is worth a note only; else too, because takes come and go.
    """
    every = {
        (folded(owner), folded(take["take"]))
        for track, its in takes.items()
        for take in its
        for owner in (track, parent_of[track])
    }
    named = {take for _, take in every}
    for row in take_rows:
        there = folded(row["take"]) in named if row["track"] is None else (folded(row["track"]), folded(row["take"])) in every
        if not there and not captures:
            what = row["take"] if row["track"] is None else f"{row['track']}/{row['take']}"
            mistakes.note(row["track"], f"{TAKES}, row {row['row']}: there is no take {what}; the row is passed over")
        if row["replay_of"]:
            _check_replay(row, takes, parent_of, captures, there, mistakes)


def _check_replay(row, takes, parent_of, captures, there, mistakes):
    where = place(TAKES, row=row["row"], column="replay_of")
    _, original = _split(row["replay_of"])
    said = shown(row["replay_of"])
    if folded(original) == folded(row["take"]):
        mistakes.add(where, f"{said} cannot be a replay of itself; name the first take of that recording, or empty the cell")
        return
    owners = [t for t, p in parent_of.items() if row["track"] in (None, t, p)]
    names = sorted({take["take"] for t in owners for take in takes[t]}, key=natural_key)
    if there and not captures and folded(original) not in {folded(name) for name in names}:
        mistakes.add(where, f"{said} is no take of the same track; expected is one of {', '.join(names)}")


def check_chosen_takes(entries, rows, takes, captures, where, mistakes):
    """The take each track asks for by name has to be there once there are any; `where(record, column)` names the cell."""
    for entry, record in zip(entries, rows, strict=True):
        wanted, there = entry["take"], {folded(t["take"]): t["take"] for t in takes[entry["track"]]}
        if folded(wanted) in ("best", "latest", "average"):
            entry["take"] = folded(wanted)
        elif folded(wanted) in there:
            entry["take"] = there[folded(wanted)]
        elif there and not captures:
            mistakes.add(
                where(record, "take"),
                f"{shown(wanted)} is no take of {entry['track']}; best, latest, average or one of {', '.join(there.values())}",
            )
        elif not captures:
            mistakes.note(entry["track"], f"take {wanted} is asked for and has not come back yet")
