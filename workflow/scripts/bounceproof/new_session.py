"""A session written from a folder of stems: roles guessed, pairs proposed, balance fitted to a rough mix.

Conventions: stems are looked at at 12 kHz (the tape keeps little above half of that); a positive delay means the second stem is
late; gains by the sine and cosine law of the rough mix: left = cos, right = sin of (pan + 1) 45 degrees. Nothing that exists is
overwritten, no stem is moved.
"""

import os
import re
from pathlib import Path
from typing import NamedTuple

import numpy as np
import yaml

from bounceproof.audio import AudioProblem, read_audio, resample
from bounceproof.files import write_table, write_text
from bounceproof.quantities import amplitude_db
from bounceproof.session.guessing import guess_role, plain_words
from bounceproof.session.mistakes import SessionMistakes
from bounceproof.session.naming import composed, folded, safe_name
from bounceproof.session.stems import audio_files, check_stem_samples, name_without_ending

WORK_RATE_HZ = 12000
SEGMENT_SAMPLES = 4096
LONGEST_DELAY_S = 0.02
# Two microphones on one instrument lie above, two players of one part below; common practice, tried on synthetic ensembles.
COHERENT = 0.4
ALIKE_ENVELOPES = 0.5
# Below this share of its power explained by the stems, a rough mix says nothing reliable about gains.
LEAST_EXPLAINED = 0.5
SOFTEST_MIX_DB = -60.0
_SIDES = {"l": "L", "left": "L", "li": "L", "links": "L", "gauche": "L", "sx": "L", "izq": "L", "vanster": "L"}
_SIDES |= {"r": "R", "right": "R", "re": "R", "rechts": "R", "droite": "R", "dx": "R", "der": "R", "hoger": "R"}
_COUNTS = {"one", "two", "dbl", "double", "doubled", "eins", "zwei", "un", "deux", "uno", "due", "dos", "a", "b"}
_TRACK_COLUMNS = ("track", "stem", "channel", "role", "group", "mix_db", "pan", "send_db", "send_speed", "take", "number", "note")
_PAIR_COLUMNS = ("pair", "first", "second", "kind")


class Stem(NamedTuple):
    """One stem: its file and that file's channels, track name, role, group, samples to send at 12 kHz (frames, channels)."""

    path: Path
    file_channels: int
    track: str
    role: str
    group: str
    samples: np.ndarray


class Likeness(NamedTuple):
    """How two stems go together: mean coherence (0 to 1), delay of the second in s, correlation of their envelopes (-1 to 1)."""

    coherence: float
    delay_s: float
    envelopes: float


class Balance(NamedTuple):
    """Gains that make the stems a rough mix: mix_db and pan by track, the share of its power they explain, remarks."""

    mix_db: dict
    pan: dict
    explained: float
    remarks: list


def write_new_session(stems_dir, session_dir, *, roles, mix_path=None):
    """Write session.yaml, tracks.tsv and pairs.tsv for a folder of stems; returns lines that say what was written and guessed.

    roles: {role: {"words": [...], "group": text}} as in roles.yaml; mix_path: a rough mix to fit mix_db and pan to.
    Raises SessionMistakes, one line for each thing in the way, before anything is written.
    """
    stems_dir, session_dir = Path(stems_dir).absolute(), Path(session_dir).absolute()
    paths, lines = check_places(stems_dir, session_dir), []
    stems = _read_stems(paths, roles, lines)
    balance = _fitted(stems, mix_path, lines) if mix_path else None
    pairs = propose_pairs(stems, lines)
    session_dir.mkdir(parents=True, exist_ok=True)
    (session_dir / "returns" / "unsorted").mkdir(parents=True, exist_ok=True)
    write_table(session_dir / "tracks.tsv", _track_rows(stems, pairs, balance, session_dir), _TRACK_COLUMNS)
    write_table(session_dir / "pairs.tsv", pairs, _PAIR_COLUMNS)
    # Last, because a folder with this file is a session.
    write_text(session_dir / "session.yaml", _settings_text(session_dir))
    written = [f"wrote {session_dir / name}" for name in ("session.yaml", "tracks.tsv", "pairs.tsv")]
    return [*written, *lines, "Look through tracks.tsv and pairs.tsv: roles, groups and pairs are guesses."]


def read_roles(path):
    """The words and groups of a roles.yaml, as `write_new_session` wants them."""
    content = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
    return {role: {"words": entry.get("words", []), "group": entry.get("group", role)} for role, entry in content.items()}


def check_places(stems_dir, session_dir):
    """The stems' files; raises SessionMistakes where there are none, or where something would be overwritten."""
    stems_dir, session_dir = Path(stems_dir), Path(session_dir)
    mistakes = [
        f"{session_dir / name}: it exists already and is not overwritten; name another session folder, or move it away"
        for name in ("session.yaml", "tracks.tsv", "pairs.tsv")
        if (session_dir / name).exists()
    ]
    if session_dir.exists() and not session_dir.is_dir():
        mistakes.append(f"{session_dir}: it is a file; the path of a folder is expected")
    paths = audio_files(stems_dir)
    if not stems_dir.is_dir():
        mistakes.append(f"{stems_dir}: there is no such folder; give the folder that holds the song's stems (stems=DIR)")
    elif not paths:
        mistakes.append(f"{stems_dir}: it holds no audio files; put the song's stems there as WAV, FLAC or AIFF")
    if mistakes:
        raise SessionMistakes(mistakes)
    return paths


def _read_stems(paths, roles, lines):
    stems, mistakes, taken = [], [], set()
    for path in paths:
        try:
            samples = _at_work_rate(path)
        except AudioProblem as problem:
            mistakes.append(str(problem))
            continue
        channels = samples.shape[1]
        if channels > 2:
            mistakes.append(f"{path}: it has {channels} channels, at most 2 are expected; export it in mono or stereo")
            continue
        if channels == 2 and np.array_equal(samples[:, 0], samples[:, 1]):
            samples = samples[:, :1]
            lines.append(f"{path.name}: both channels are the same, so only the left one is sent")
        name = composed(name_without_ending(path))
        track = _free_name(safe_name(name), taken)
        if track != name:
            lines.append(f"{path.name}: its track is called {track}, because files cannot bear that name everywhere")
        stems.append(Stem(path, channels, track, guess_role(name, roles), "", samples))
    if mistakes:
        raise SessionMistakes(mistakes)
    return _grouped(stems, roles)


def _at_work_rate(path):
    audio = read_audio(path)
    problem = check_stem_samples(audio.samples)
    if problem:
        raise AudioProblem(f"{path}: {problem}.")
    return resample(audio.samples, audio.rate_hz, WORK_RATE_HZ)


def _free_name(name, taken):
    free, count = name, 1
    while folded(free) in taken:
        count += 1
        free = f"{name}-{count}"
    taken.add(folded(free))
    return free


def _grouped(stems, roles):
    """Groups by role; where no role is known, by the first word where several stems share it."""
    first = [next(iter(plain_words(stem.track)), "") for stem in stems]
    grouped = []
    for stem, word in zip(stems, first, strict=True):
        group = roles[stem.role]["group"] if stem.role != "other" else (word if word and first.count(word) > 1 else "")
        grouped.append(stem._replace(group=group))
    return grouped


def propose_pairs(stems, lines):
    """Pairs of the stems as rows {pair, first, second, kind}; what speaks for each goes to `lines`.

    Left and right files of one name are a stereo pair; within a group, coherent stems are one source in two microphones, and
    numbered stems that play together without being coherent are doubled.
    """
    pairs, taken, paired = [], set(), set()
    for name, first, second in _side_pairs(stems):
        pairs.append(_pair(name, first, second, "stereo", taken))
        paired.add(frozenset((first.track, second.track)))
        lines.append(f"pair {pairs[-1]['pair']}: {first.track} and {second.track} by their names, stereo")
    for place, first in enumerate(stems):
        for second in stems[place + 1 :]:
            if first.group and first.group == second.group and frozenset((first.track, second.track)) not in paired:
                _propose(first, second, pairs, taken, lines)
    return pairs


def _propose(first, second, pairs, taken, lines):
    found = likeness(first.samples.mean(axis=1), second.samples.mean(axis=1))
    numbered = _but_counts(first.track) == _but_counts(second.track)
    if found.coherence >= COHERENT:
        kind = "one-source"
    elif numbered and found.envelopes >= ALIKE_ENVELOPES:
        kind = "doubled"
    else:
        return
    pairs.append(_pair(_shared_name(first.track, second.track), first, second, kind, taken))
    lines.append(
        f"pair {pairs[-1]['pair']}: {first.track} and {second.track}, {kind} "
        f"(coherence {found.coherence:.2f}, second {1000 * found.delay_s:+.2f} ms)"
    )


def _pair(name, first, second, kind, taken):
    return {"pair": _free_name(safe_name(name, "pair"), taken), "first": first.track, "second": second.track, "kind": kind}


def _side_pairs(stems):
    """(shared name, left stem, right stem) of mono stems whose names differ by a word for left and right only."""
    by_rest = {}
    for stem in stems:
        rest, side = _side_of(stem.track)
        if side and stem.samples.shape[1] == 1:
            by_rest.setdefault(folded(rest), {})[side] = (rest, stem)
    for sides in by_rest.values():
        if len(sides) == 2:
            yield sides["L"][0], sides["L"][1], sides["R"][1]


def _side_of(name):
    """The name less its last word for left or right, and "L", "R" or None."""
    pieces = re.split(r"([\s_.\-()]+)", name)
    for place in range(len(pieces) - 1, -1, -1):
        side = _SIDES.get("".join(plain_words(pieces[place])))
        if side and len(pieces) > 1:
            rest = "".join(pieces[:place] + pieces[place + 1 :]).strip(" _.-()")
            return rest or name, side
    return name, None


def _but_counts(name):
    return [word for word in plain_words(name) if word not in _COUNTS]


def _shared_name(first, second):
    count = next((n for n, (a, b) in enumerate(zip(first, second, strict=False)) if a != b), min(len(first), len(second)))
    shared = first[:count].rstrip(" _.-+(")
    return shared if len(shared) >= 2 else f"{first}+{second}"


def likeness(first, second):
    """How alike two signals at 12 kHz are, as a Likeness.

    Magnitude-squared coherence over Hann segments of 0.34 s that overlap by half (Carter, Knapp, Nuttall 1973), its bias
    (1 - C)^2 / n taken off, averaged with the weight sqrt(P1 P2); the delay is the peak of the cross-spectrum's transform
    within 20 ms. Segments that long keep a delay of some ms from lowering the coherence.
    """
    from bounceproof.spectra import transforms

    count = max(len(first), len(second))
    signals = [np.pad(np.asarray(s, dtype=float), (0, count - len(s))) for s in (first, second)]
    powers, cross, segments = np.zeros((SEGMENT_SAMPLES // 2 + 1, 2)), 0.0, 0
    for block in transforms(signals, SEGMENT_SAMPLES):
        powers += np.sum(np.abs(block) ** 2, axis=0)
        cross = cross + np.sum(np.conj(block[..., 0]) * block[..., 1], axis=0)
        segments += len(block)
    weight = np.sqrt(powers[:, 0] * powers[:, 1])
    if not np.sum(weight) > 0:
        return Likeness(0.0, 0.0, 0.0)
    raw = np.abs(cross) ** 2 / np.maximum(powers[:, 0] * powers[:, 1], 1e-300)
    coherence = np.maximum(0.0, raw - (1.0 - raw) ** 2 / max(1.0, 0.945 * segments))
    return Likeness(float(np.sum(weight * coherence) / np.sum(weight)), _delay_s(cross), _envelope_correlation(*signals))


def _delay_s(cross):
    """Where the cross-spectrum conj(X1) X2, its phase alone counting, peaks within 20 ms; positive: the second is late."""
    size = np.abs(cross)
    whitened = np.where(size > 1e-3 * size.max(), cross / np.maximum(size, 1e-300), 0.0)
    likely = np.fft.irfft(whitened)
    reach = int(LONGEST_DELAY_S * WORK_RATE_HZ)
    around = np.abs(np.concatenate([likely[-reach:], likely[: reach + 1]]))
    return float((np.argmax(around) - reach) / WORK_RATE_HZ)


def _envelope_correlation(first, second):
    frame = WORK_RATE_HZ // 20
    frames = len(first) // frame
    if frames < 4:
        return 0.0
    levels = [np.sqrt(np.mean(s[: frames * frame].reshape(frames, frame) ** 2, axis=1)) for s in (first, second)]
    spread = np.std(levels[0]) * np.std(levels[1])
    return float(np.mean((levels[0] - levels[0].mean()) * (levels[1] - levels[1].mean())) / spread) if spread > 0 else 0.0


def _fitted(stems, mix_path, lines):
    try:
        mix = _at_work_rate(Path(mix_path))
    except AudioProblem as problem:
        raise SessionMistakes([str(problem)]) from None
    if mix.shape[1] > 2:
        raise SessionMistakes([f"{mix_path}: the rough mix has {mix.shape[1]} channels; a stereo or mono file is expected"])
    balance = fit_balance({stem.track: stem.samples for stem in stems}, mix)
    share = f"{100 * balance.explained:.0f} percent of the rough mix's power below {WORK_RATE_HZ // 2000} kHz"
    if balance.explained < LEAST_EXPLAINED:
        lines.append(f"the stems explain {share}, too little to read gains from; mix_db and pan are left at their defaults")
        return None
    lines.append(f"mix_db and pan are fitted to the rough mix; the stems so mixed explain {share}")
    lines += balance.remarks
    return balance


def fit_balance(stems, mix):
    """Gains and pans by least squares on the samples, as a Balance.

    stems: {track: (frames, 1 or 2)}, mix: (frames, 1 or 2), all at 12 kHz. The mix may begin earlier or later than the stems.
    Every channel of every stem may go to both sides of the mix.
    """
    sides = mix if mix.shape[1] == 2 else np.repeat(mix, 2, axis=1)
    count = max([len(mix), *(len(samples) for samples in stems.values())])
    legs = [_padded(samples[:, channel], count) for samples in stems.values() for channel in range(samples.shape[1])]
    sides = _lined_up(sides, legs, count)
    matrix = np.array([[float(np.dot(one, other)) for other in legs] for one in legs])
    aims = np.array([[float(np.dot(leg, sides[:, side])) for side in (0, 1)] for leg in legs])
    gains = np.linalg.lstsq(matrix, aims, rcond=1e-9)[0]
    # What is left over, from the normal equations: |m|^2 - 2 g.aim + g.M g.
    left_over = float(np.sum(sides**2) - 2 * np.sum(gains * aims) + np.sum(gains * (matrix @ gains)))
    power = float(np.sum(sides**2))
    return _as_balance(stems, gains, 1.0 - left_over / power if power else 0.0, mono=mix.shape[1] == 1)


def _padded(samples, count):
    return np.pad(np.asarray(samples, dtype=float), (0, count - len(samples)))


def _lined_up(sides, legs, count):
    """The mix (frames, 2) moved to where the stems say it begins, to a fraction of a sample, whatever their signs in it."""
    from scipy import fft

    points = fft.next_fast_len(2 * count, real=True)
    spectrum = fft.rfft(np.vstack([_padded(sides[:, side], count) for side in (0, 1)]), points)
    middle = spectrum.sum(axis=0)
    energies = [max(float(np.dot(leg, leg)), 1e-300) for leg in legs]
    shares = [fft.irfft(np.conj(fft.rfft(leg, points)) * middle, points) for leg in legs]
    lag = int(np.argmax(sum(share**2 / energy for share, energy in zip(shares, energies, strict=True))))
    reference = sum(leg * share[lag] / energy for leg, share, energy in zip(legs, shares, energies, strict=True))
    # The slope of what phase is left, weighted by the cross power: the fraction of a sample.
    omega = 2 * np.pi * np.arange(points // 2 + 1) / points
    cross = np.conj(fft.rfft(reference, points)) * middle * np.exp(1j * omega * lag)
    weight = np.abs(cross) * omega
    fine_lag = lag - float(np.sum(weight * np.angle(cross)) / max(np.sum(weight * omega), 1e-300))
    return fft.irfft(spectrum * np.exp(1j * omega * fine_lag), points)[:, :count].T


def _as_balance(stems, gains, explained, *, mono):
    mix_db, pan, remarks, first = {}, {}, [], 0
    for track, samples in stems.items():
        own = gains[first : first + samples.shape[1]]
        first += samples.shape[1]
        gain = float(np.sqrt(np.mean(np.sum(own**2, axis=1))))
        level_db = float(amplitude_db(gain)) if gain > 0 else SOFTEST_MIX_DB
        if level_db <= SOFTEST_MIX_DB:
            remarks.append(f"{track}: it is hardly heard in the rough mix ({level_db:.0f} dB)")
        elif np.sum(own) < 0:
            remarks.append(f"{track}: it is upside down in the rough mix; its gain is taken without the sign")
        mix_db[track] = round(max(SOFTEST_MIX_DB, level_db), 1) + 0.0
        # A mono mix tells a gain only; a track in the middle reaches each side of it 3.01 dB down.
        pan[track] = 0.0 if mono or gain == 0 else round(_place(np.abs(own)), 2) + 0.0
    return Balance(mix_db, pan, explained, remarks)


def _place(gains):
    """The pan of a track from the gains of its channels (1 or 2) to the two sides.

    A stereo track's legs lie at pan - 1 and pan + 1, no further out than -1 and 1: one of them is at its end, so that the two
    places add up to the track's own.
    """
    places = 4 / np.pi * np.arctan2(gains[:, 1], gains[:, 0]) - 1
    return float(np.clip(np.sum(places), -1, 1))


def _track_rows(stems, pairs, balance, session_dir):
    sides = {pair[end]: place for pair in pairs if pair["kind"] == "stereo" for end, place in (("first", -1), ("second", 1))}
    number, rows = 1, []
    for stem in stems:
        stereo = stem.samples.shape[1] == 2
        one_channel = "left" if stem.file_channels == 2 else "mono"
        pan = sides.get(stem.track) if balance is None else balance.pan[stem.track]
        rows.append(
            {
                "track": stem.track,
                "stem": _stem_cell(stem.path, session_dir),
                "channel": "stereo" if stereo else one_channel,
                "role": stem.role,
                "group": stem.group,
                "mix_db": None if balance is None else balance.mix_db[stem.track],
                "pan": pan,
                "number": number,
            }
        )
        number += 2 if stereo else 1
    return rows


def _stem_cell(path, session_dir):
    """A stem's path as tracks.tsv has it: the bare name where it lies in the session's stems/, else relative to the session."""
    if path.parent == session_dir / "stems":
        return path.name
    try:
        return Path(os.path.relpath(path, session_dir)).as_posix()
    except ValueError:
        return path.as_posix()


def _settings_text(session_dir):
    name = yaml.safe_dump(safe_name(session_dir.name, "session"), allow_unicode=True, default_style=None).splitlines()[0]
    return f"""\
# A session. Every key is described in the project's config/README.md; what is left out takes its default.
name: {name}

# The kind of recorder and tape, an entry of config/media.yaml.
medium: dictation-2.4

# Free text, printed in report and record; take off the # before what you fill in.
#chain:
#  recorder:
#  switches:
#  tape:
#  pad:
#  interface:
#  batteries:
"""
