"""The stems' files: found, looked at by their headers, held against what the session asks.

Conventions: lengths in samples at the session's rate; a path in a table is relative to the session's folder, then to stems/.
"""

import os.path
from pathlib import Path
from typing import NamedTuple

from bounceproof.session.mistakes import did_you_mean
from bounceproof.session.naming import AUDIO_ENDINGS, folded, natural_key

STEMS = "stems"
# Their coders put silence before the sound, more or less of it from file to file.
_LOSSY = (".mp3", ".ogg", ".oga", ".opus", ".m4a", ".aac", ".wma")
_RATES_HZ = (16000, 192000)
_USUAL_RATE_HZ = 48000


class StemFacts(NamedTuple):
    """What is known of a stem: its path (text), rate, channels, frames, whether its samples are floating-point, notes."""

    path: str
    rate_hz: int
    channels: int
    frames: int
    floating: bool
    notes: tuple


def audio_files(folder):
    """The audio files of a folder by their known endings (any case), hidden ones left out, in natural order."""
    try:
        files = [p for p in Path(folder).iterdir() if is_audio_name(p.name) and p.is_file()]
    except (OSError, ValueError):
        return []
    return sorted(files, key=lambda p: (natural_key(name_without_ending(p)), p.name))


def other_sounds(folder):
    """What lies in a folder of stems and was meant to be one, by its ending, but cannot be taken for one."""
    entries = sorted(Path(folder).iterdir()) if Path(folder).is_dir() else []
    meant = [p for p in entries if p.name.casefold().endswith((*AUDIO_ENDINGS, *_LOSSY)) and not p.name.startswith(".")]
    return [p for p in meant if not (is_audio_name(p.name) and p.is_file())]


def passed_over(path, expected):
    """Why a file beside audio files is not one of them, as a sentence's end; expected: what they are ("takes")."""
    if path.is_symlink() and not path.exists():
        return "passed over; it is a link that leads nowhere"
    if is_audio_name(path.name) and path.is_dir():
        return "passed over; it is a folder that is called like a file"
    return f"passed over; {expected} are WAV, FLAC, AIFF, W64, RF64 or CAF files"


def is_audio_name(name):
    """Whether a file's name is that of an audio file to be looked at; companions that begin with a dot are not."""
    return name.casefold().endswith(AUDIO_ENDINGS) and not name.startswith(".")


def name_without_ending(path):
    """A file's name less its known audio ending."""
    name = Path(path).name
    ending = next((e for e in sorted(AUDIO_ENDINGS, key=len, reverse=True) if name.casefold().endswith(e)), "")
    return name[: len(name) - len(ending)]


def find_stem(folder, cell):
    """The file a stem cell means, as (path, None), or (None, what is wrong as a phrase).

    Looked for in the session's folder, then in stems/; the ending may be left out; case and composition of accents do not
    count where only one file fits.
    """
    wanted = Path(os.path.expanduser(cell.replace("\\", "/")))
    places = [folder / wanted, folder / STEMS / wanted]
    for path in places:
        if _is_file(path):
            return path, None
    for path in places:
        hits = _alike(path)
        if len(hits) == 1:
            return hits[0], None
        if hits:
            return None, f"fits several files ({', '.join(p.name for p in hits)}); write the one meant with its ending"
    beside = [p.name for place in places for p in audio_files(place.parent)]
    hint = did_you_mean(wanted.name, beside) if beside else f"{STEMS}/ holds no audio files"
    return None, f"there is no such file in the session's folder nor in {STEMS}/; {hint}"


def _is_file(path):
    """Whether there is such a file; a path that no system can hold (too long, a null in it) is none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _alike(path):
    key = folded(path.name)
    files = audio_files(path.parent)
    return [p for p in files if folded(p.name) == key] or [p for p in files if folded(name_without_ending(p)) == key]


def look_at_stem(path):
    """The header of a stem's file as StemFacts. Raises audio.AudioProblem."""
    from bounceproof.audio import look_at

    facts = look_at(path)
    floating = facts.subtype in ("FLOAT", "DOUBLE")
    return StemFacts(str(path), facts.rate_hz, facts.channels, facts.frames, floating, tuple(facts.notes))


def demo_stems(seed, results_dir):
    """The stems of the demo song by name, as StemFacts, known before they are synthesised into results_dir/song/."""
    from bounceproof.demo_song import catalogue

    song = Path(results_dir) / "song"
    return {
        name: StemFacts(str(song / f"{name}.wav"), facts["rate_hz"], facts["channels"], facts["frames"], False, ())
        for name, facts in catalogue(seed).items()
    }


def usual_rate_hz(stems):
    """The rate most stems have, the higher of equally frequent ones; 48000 where that lies outside what a session may have."""
    rates = [stem.rate_hz for stem in stems]
    usual = max(rates, key=lambda rate: (rates.count(rate), rate), default=_USUAL_RATE_HZ)
    return usual if _RATES_HZ[0] <= usual <= _RATES_HZ[1] else _USUAL_RATE_HZ


def length_samples(stem, rate_hz):
    """A stem's length in samples at rate_hz."""
    return (stem.frames * rate_hz * 2 + stem.rate_hz) // (2 * stem.rate_hz)


def check_stem_samples(samples):
    """What makes a stem's samples unusable, as a phrase; None if they are fine.

    samples: array of any shape. Not a number, an infinity, or nothing but zeros cannot be sent.
    """
    import numpy as np

    samples = np.asarray(samples)
    bad = samples.size - int(np.count_nonzero(np.isfinite(samples)))
    if bad:
        return f"{bad} samples are not finite (not a number, or infinite); export the stem again"
    if not np.any(samples):
        return "it is silent from end to end; export the stem again, or take the track out"
    return None


def stem_not_finite(path):
    """Read a floating-point file block by block: the phrase of `check_stem_samples` where a sample is not finite, else None."""
    import numpy as np
    import soundfile

    bad = 0
    try:
        with soundfile.SoundFile(path) as sound, np.errstate(all="ignore"):
            for block in sound.blocks(blocksize=1 << 18, dtype="float32"):
                # The sum of a block is finite where its samples are, and much cheaper; large sums are looked at twice.
                if not np.isfinite(np.sum(block)):
                    bad += block.size - int(np.count_nonzero(np.isfinite(block)))
    except (soundfile.LibsndfileError, RuntimeError):
        return None
    return f"{bad} samples are not finite (not a number, or infinite); export the stem again" if bad else None
