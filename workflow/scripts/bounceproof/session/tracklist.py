"""The tracks of a session: from tracks.tsv, or from the stems' files where there is no such table; and its pairs.

Conventions: a stereo track becomes two legs, TRACK.L and TRACK.R, and a pair of its own; numbers are the transfers' numbers,
from 1; pan -1 is left.
"""

import itertools
from pathlib import Path

from bounceproof.session.guessing import guess_role
from bounceproof.session.mistakes import did_you_mean, nearest, place, shown
from bounceproof.session.naming import composed, folded, name_problem, safe_name
from bounceproof.session.rows import Record, read_records
from bounceproof.session.settings import with_defaults
from bounceproof.session.stems import (
    STEMS,
    audio_files,
    find_stem,
    look_at_stem,
    name_without_ending,
    other_sounds,
    passed_over,
    stem_not_finite,
)
from bounceproof.transfer_layout import LAST_NUMBER

TRACKS, PAIRS = "tracks.tsv", "pairs.tsv"
LEGS = (("L", "left", -1), ("R", "right", 1))


def read_tracks(folder, schema, song, mistakes):
    """The rows of tracks.tsv, or one for each stem where the table is missing or empty, as Records with checked names.

    song: the demo's stems by name, None where the stems are files.
    """
    records = read_records(folder, TRACKS, schema, mistakes)
    if not records:
        records = _from_files(folder, schema, mistakes) if song is None else _from_song(song, schema)
    _check_names(records, TRACKS, "track", "track", mistakes)
    return [r for r in records if r.values.get("track")]


def _from_song(song, schema):
    return [Record(n, with_defaults({"track": name}, schema), frozenset({"track"})) for n, name in enumerate(song, 1)]


def _from_files(folder, schema, mistakes):
    files = audio_files(folder / STEMS)
    for path in other_sounds(folder / STEMS):
        mistakes.note(None, f"{STEMS}/{path.name} {passed_over(path, 'stems')}")
    if not files:
        mistakes.add(
            f"{STEMS}/",
            f"no stem is found (no {TRACKS}, and no audio file in this folder); put the song's stems there as WAV, FLAC or AIFF",
        )
    records = []
    for number, path in enumerate(files, 1):
        name = composed(name_without_ending(path))
        track = safe_name(name)
        if track != name:
            mistakes.note(track, f"stem {shown(path.name)} cannot lend its name to files; its track is called {track}")
        origin = f"{STEMS}/{path.name}"
        values = with_defaults({"track": track, "stem": origin}, schema)
        records.append(Record(number, values, frozenset(), origin))
    return records


def _check_names(records, file, column, kind, mistakes):
    for record in records:
        name = record.values.get(column)
        if name:
            record.values[column] = name = composed(name)
            problem = name_problem(name, kind)
            if problem:
                mistakes.add(_where(record, file, column), f"{shown(name)}: {problem}")


def _where(record, file, column):
    """Where a record's mistake is: in its table, or (without one) at its stem."""
    return record.origin or place(file, row=record.number, column=column)


def stem_of(record, folder, song, mistakes):
    """The StemFacts of a track's stem, or None and a mistake. song: the demo's stems by name, None for files."""
    from bounceproof.audio import AudioProblem

    cell = record.values["stem"] or record.values["track"]
    where = _where(record, TRACKS, "stem")
    if song is not None:
        name = name_without_ending(cell)
        if name not in song:
            mistakes.add(where, f"{shown(cell)} is no stem of the demo song; {did_you_mean(name, song)}")
        return song.get(name)
    path, problem = find_stem(folder, cell)
    if problem:
        mistakes.add(where, f"{shown(cell)} {problem}")
        return None
    try:
        return look_at_stem(path)
    except AudioProblem as problem:
        mistakes.add(where, _shorter(str(problem), path, folder).removeprefix(f"{where}: "))
        return None


def _shorter(text, path, folder):
    """A sentence of the audio reader with the path as the session writes it."""
    return text.replace(str(path), relative(path, folder))


def relative(path, folder):
    """A path as a message shows it: relative to the session's folder where it lies in it."""
    try:
        return Path(path).relative_to(folder).as_posix()
    except ValueError:
        return str(path)


def check_finite(records, stems, results_dir, mistakes):
    """Read the floating-point stems that have not been prepared yet, and report those that are not finite."""
    seen = {}
    for record in records:
        stem = stems.get(record.number)
        if stem is None or not stem.floating or _prepared(record, stem, results_dir):
            continue
        if stem.path not in seen:
            seen[stem.path] = stem_not_finite(stem.path)
            if seen[stem.path]:
                mistakes.add(_where(record, TRACKS, "stem"), f"{shown(Path(stem.path).name)}: {seen[stem.path]}")


def _prepared(record, stem, results_dir):
    """Whether the workflow has prepared this stem, and so read and checked all of it, since the stem was written."""
    track = record.values["track"]
    written = [Path(results_dir) / "stems" / f"{name}.json" for name in (track, f"{track}.L")]
    stamp = Path(stem.path).stat().st_mtime_ns
    return any(path.is_file() and path.stat().st_mtime_ns > stamp for path in written)


def check_channel(record, stem, mistakes):
    """The channel to send of a stem with one or two channels; None and a mistake where it does not fit."""
    asked, name = record.values["channel"], record.values["track"]
    where = _where(record, TRACKS, "channel")
    if stem.channels > 2:
        mistakes.add(
            where, f"the stem of {shown(name)} has {stem.channels} channels; at most 2 are expected: export it in mono or stereo"
        )
    elif asked is None:
        return "mono" if stem.channels == 1 else "stereo"
    elif stem.channels == 1 and asked != "mono":
        mistakes.add(
            where, f"{shown(asked)}, but the stem of {shown(name)} has one channel; leave the cell empty, or give a stereo stem"
        )
    elif stem.channels == 2 and asked == "mono":
        mistakes.add(where, f"'mono', but the stem of {shown(name)} has two channels; write left, right, sum or stereo")
    else:
        return asked
    return None


def check_role(record, roles, mistakes):
    """The track's role: as written (ignoring case), else guessed from its name or its stem's."""
    asked = record.values["role"]
    if asked is None:
        guess = guess_role(record.values["track"], roles)
        return guess if guess != "other" else guess_role(Path(record.values["stem"]).name, roles)
    known = {role.casefold(): role for role in roles}
    if asked.casefold() not in known:
        near = nearest(asked, roles)
        hint = f"did you mean {near}? known" if near else "known"
        mistakes.add(_where(record, TRACKS, "role"), f"{shown(asked)} is no known role; {hint}: {', '.join(roles)}")
    return known.get(asked.casefold(), "other")


def expanded(record, role, channel, stem_path, stem_channels, send_db):
    """The entries of one row: one, or two legs for a stereo track. Their number is still to come."""
    values = record.values
    entry = {
        "track": values["track"],
        "parent": values["track"],
        "stem": stem_path,
        "stem_channels": stem_channels,
        "channel": channel,
        "role": role,
        "group": values["group"],
        "mix_db": values["mix_db"],
        "pan": values["pan"],
        "send_db": send_db if values["send_db"] is None else values["send_db"],
        "send_speed": values["send_speed"],
        "take": values["take"],
        "mute": values["mute"],
        "restore": values["restore"],
        "note": values["note"],
        "number": values["number"],
    }
    if channel != "stereo":
        return [entry]
    return [
        entry
        | {
            "track": f"{values['track']}.{leg}",
            "channel": side,
            "pan": min(1, max(-1, values["pan"] + place)),
            "number": None if values["number"] is None else values["number"] + (leg == "R"),
        }
        for leg, side, place in LEGS
    ]


def check_clashes(entries, rows, mistakes):
    """Names and numbers that two tracks cannot share; rows: for each entry the Record it comes from."""
    names, numbers = {}, {}
    for entry, record in zip(entries, rows, strict=True):
        key, where = folded(entry["track"]), _where(record, TRACKS, "track")
        if key in names:
            mistakes.add(
                where, f"{shown(entry['track'])} clashes with {shown(names[key])} {_same(entry['track'], names[key])}; rename one"
            )
        names.setdefault(key, entry["track"])
        number = entry["number"]
        if number is not None and number in numbers:
            where = _where(record, TRACKS, "number")
            mistakes.add(
                where, f"{number} is also the number of {shown(numbers[number])}; every transfer has a number of its own"
            )
        elif number is not None:
            numbers[number] = entry["track"]


def _same(one, other):
    return "(both have this name)" if one == other else "(on many disks they are one file: case does not count there)"


def number_transfers(entries, mistakes):
    """Give every entry that has no number the smallest one still free, down the table."""
    taken = {entry["number"] for entry in entries}
    free = (number for number in range(1, 2 * len(entries) + 1) if number not in taken)
    for entry in entries:
        if entry["number"] is None:
            entry["number"] = next(free)
    beyond = [entry["track"] for entry in entries if entry["number"] > LAST_NUMBER]
    if beyond:
        text = (
            f"the clicks can tell {LAST_NUMBER} transfers apart, {shown(beyond[0])} would be one more; split the session in two"
        )
        mistakes.add(place(TRACKS), text)


def read_pairs(folder, schema, entries, mistakes):
    """The session's pairs: those of pairs.tsv, and one for each stereo track whose legs are not yet among them."""
    records = read_records(folder, PAIRS, schema, mistakes) or []
    _check_names(records, PAIRS, "pair", "pair", mistakes)
    by_name = {folded(entry["track"]): entry["track"] for entry in entries}
    stereo = {folded(entry["parent"]): entry["parent"] for entry in entries if entry["track"] != entry["parent"]}
    pairs, ids, sides = [], {}, {}
    for record in records:
        pair = _pair(record, by_name, stereo, mistakes)
        if pair is None:
            continue
        _check_twice(record, pair, ids, sides, mistakes)
        pairs.append(pair)
    pairs += _stereo_pairs(stereo.values(), ids, sides, mistakes)
    sides |= {frozenset((pair["first"], pair["second"])): pair["pair"] for pair in pairs}
    return pairs + _group_pairs(entries, {folded(pair["pair"]) for pair in pairs}, sides)


def _pair(record, by_name, stereo, mistakes):
    ends = [_end_of_pair(record, column, by_name, stereo, mistakes) for column in ("first", "second")]
    if None in ends or not record.values.get("pair"):
        return None
    if ends[0] == ends[1]:
        mistakes.add(place(PAIRS, row=record.number, column="second"), f"{shown(ends[1])} is paired with itself; name two tracks")
        return None
    values = record.values
    return {"pair": values["pair"], "first": ends[0], "second": ends[1], "kind": values["kind"], "declared": True}


def _end_of_pair(record, column, by_name, stereo, mistakes):
    name = record.values.get(column)
    if not name:
        return None
    if folded(name) in by_name:
        return by_name[folded(name)]
    where = place(PAIRS, row=record.number, column=column)
    if folded(name) in stereo:
        mistakes.add(where, f"{shown(name)} is a stereo track; name one of its legs, {name}.L or {name}.R")
    else:
        mistakes.add(where, f"{shown(name)} is no track of this session; {did_you_mean(name, by_name.values())}")
    return None


def _check_twice(record, pair, ids, sides, mistakes):
    key, both = folded(pair["pair"]), frozenset((pair["first"], pair["second"]))
    if key in ids:
        mistakes.add(
            place(PAIRS, row=record.number, column="pair"), f"{shown(pair['pair'])} is the name of another pair, too; rename one"
        )
    elif both in sides:
        where = place(PAIRS, row=record.number, column="second")
        mistakes.add(where, f"{pair['first']} and {pair['second']} are already the pair {shown(sides[both])}; take one row out")
    ids.setdefault(key, pair["pair"])
    sides.setdefault(both, pair["pair"])


def _stereo_pairs(parents, ids, sides, mistakes):
    pairs = []
    for parent in parents:
        first, second = (f"{parent}.{leg}" for leg, *_ in LEGS)
        if frozenset((first, second)) in sides:
            continue
        if folded(parent) in ids:
            mistakes.add(
                place(PAIRS),
                f"pair {shown(parent)} has the name of the stereo track {shown(parent)}, whose legs are a pair; rename it",
            )
        pairs.append({"pair": parent, "first": first, "second": second, "kind": "stereo", "declared": True})
    return pairs


def _group_pairs(entries, ids, sides):
    """A pair for every two tracks of a group that no row and no stereo track pairs: trouble there is seldom foreseen."""
    groups, pairs, numbered = {}, [], (f"pair {number}" for number in itertools.count(1))
    for entry in entries:
        if entry["group"]:
            groups.setdefault(folded(entry["group"]), []).append(entry["track"])
    for members in groups.values():
        for first, second in itertools.combinations(members, 2):
            if frozenset((first, second)) in sides:
                continue
            name = _pair_name(first, second, ids, numbered)
            ids.add(folded(name))
            pairs.append({"pair": name, "first": first, "second": second, "kind": "one-source", "declared": False})
    return pairs


def _pair_name(first, second, ids, numbered):
    """A name for files that no other pair has: both names, or the next number where they are too long together or taken."""
    both = f"{first} + {second}"
    names = itertools.chain([both] if name_problem(both, "pair") is None else [], numbered)
    return next(name for name in names if folded(name) not in ids)
