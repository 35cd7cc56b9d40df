"""Tracks laid out on the sides of tapes: few sides, related tracks together.

Conventions: times in seconds as played; a side is counted from 1, two to a tape; what fits on no side is alone on its own.
"""

# Kept free at a side's end: tapes differ in length, and nobody starts them to the second (common practice).
MARGIN_S = 20.0


def usable_s(side_minutes, fastest_percent):
    """Playing time to reckon with on a side that may run `fastest_percent` fast, the margin taken off."""
    return 60.0 * side_minutes / (1.0 + fastest_percent / 100.0) - MARGIN_S


def related(tracks, pairs):
    """[set of tracks] that share a pair or a group, directly or through others, so that they share the tape's condition.

    tracks: dicts with track and group; pairs: dicts with first and second.
    """
    sets = {track["track"]: {track["track"]} for track in tracks}
    links = [(pair["first"], pair["second"]) for pair in pairs]
    by_group = {}
    for track in tracks:
        if track.get("group"):
            links.append((by_group.setdefault(track["group"], track["track"]), track["track"]))
    for one, other in links:
        if one in sets and other in sets and sets[one] is not sets[other]:
            sets[one] |= sets[other]
            for member in sets[other]:
                sets[member] = sets[one]
    return list({id(members): members for members in sets.values()}.values())


def lay_out(transfers, *, side_s, leader_s, together=()):
    """[[transfer, ...], ...] a list a side, each in order of number.

    transfers: dicts with track, number, duration_s; together: sets of tracks, see `related`. The longest sets are placed first,
    each on the first side that has room for the whole of it (first fit decreasing); a set longer than a side is taken apart.
    """
    left = {transfer["track"]: transfer for transfer in transfers}
    sets = [[left.pop(track) for track in sorted(members) if track in left] for members in together]
    sets += [[transfer] for transfer in left.values()]
    room_s = side_s - leader_s
    pieces = [piece for members in sets if members for piece in _fitting(members, room_s)]
    pieces.sort(key=lambda piece: (-_length_s(piece), piece[0]["number"]))
    sides = []
    for piece in pieces:
        side = next((side for side in sides if _length_s(side) + _length_s(piece) <= room_s), None)
        if side is None:
            sides.append(list(piece))
        else:
            side += piece
    sides = [sorted(side, key=lambda transfer: transfer["number"]) for side in sides]
    return sorted(sides, key=lambda side: side[0]["number"])


def _length_s(transfers):
    return sum(transfer["duration_s"] for transfer in transfers)


def _fitting(members, room_s):
    """A set of related transfers in pieces that fit on a side, in order of number."""
    pieces = [[]]
    for transfer in sorted(members, key=lambda one: one["number"]):
        if pieces[-1] and _length_s(pieces[-1]) + transfer["duration_s"] > room_s:
            pieces.append([])
        pieces[-1].append(transfer)
    return pieces


def side_name(side):
    """1A, 1B, 2A, ... of a side's number."""
    return f"{(side + 1) // 2}{'A' if side % 2 else 'B'}"
