"""The demo's score: a jingle for a harbour ferry, in D major, three beats to the bar.

Conventions: bars and beats count from 0, a beat is a quarter note of `BEAT_S` seconds; pitches are MIDI numbers (69 = 440 Hz);
times in seconds of the song. Tune, words and ferry are invented. Sections: bars 0-2 introduction, 3-10 verse,
11-14 the quiet passage in which the announcer speaks, 15-22 the choir's part, 23-26 the end.
"""

from typing import NamedTuple

RATE_HZ = 48000
DURATION_S = 42.0
BEAT_S = 0.5
BEATS = 3
FIRST_BAR_S = 0.6

CHORDS = (
    *("D", "D", "A"),
    *("D", "D", "G", "D", "Em", "A", "D", "A"),
    *("Bm", "Bm", "G", "A"),
    *("G", "G", "D", "D", "Em", "A", "D", "D"),
    *("G", "A", "D", "D"),
)
INTRODUCTION, VERSE, QUIET, CHOIR, END = range(3), range(3, 11), range(11, 15), range(15, 23), range(23, 27)

# Root and fifth for the bass, three notes for the accordion's chords, four voices for the choir.
BASS_NOTES = {"D": (38, 45), "G": (43, 38), "A": (45, 40), "Em": (40, 47), "Bm": (47, 42)}
TRIADS = {"D": (62, 66, 69), "G": (62, 67, 71), "A": (61, 64, 69), "Em": (64, 67, 71), "Bm": (62, 66, 71)}
VOICES = {"D": (50, 57, 66, 74), "G": (43, 59, 67, 74), "A": (45, 57, 64, 73), "Em": (52, 59, 67, 71), "Bm": (47, 59, 66, 74)}


class Note(NamedTuple):
    start_s: float
    length_s: float
    pitch: int
    strength: float


def at(bar, beat=0.0):
    """Time (s) of a beat."""
    return FIRST_BAR_S + (bar * BEATS + beat) * BEAT_S


def note(bar, beat, beats, pitch, strength=1.0):
    return Note(at(bar, beat), beats * BEAT_S, pitch, strength)


# (bar, beat, length in beats, pitch)
_TUNE = (
    *((3, 0, 1, 78), (3, 1, 1, 81), (3, 2, 1, 78), (4, 0, 2, 76), (4, 2, 1, 74), (5, 0, 1, 71), (5, 1, 1, 74), (5, 2, 1, 79)),
    *((6, 0, 2.5, 78), (7, 0, 1.5, 79), (7, 1.5, 0.5, 78), (7, 2, 1, 76), (8, 0, 1, 73), (8, 1, 1, 76), (8, 2, 1, 69)),
    *((9, 0, 2, 74), (9, 2, 1, 76), (10, 0, 1, 76), (10, 1, 1, 73)),
    *((17, 2, 0.5, 69), (17, 2.5, 0.5, 71), (18, 0, 1, 74), (18, 1, 1, 78), (18, 2, 1, 74), (19, 0, 1.5, 79), (19, 1.5, 0.5, 76)),
    *((19, 2, 1, 71), (20, 0, 1, 73), (20, 1, 1, 76), (20, 2, 1, 81), (21, 0, 2.5, 78), (22, 1, 1, 69), (22, 2, 1, 71)),
    *((23, 0, 1, 71), (23, 1, 1, 73), (23, 2, 1, 74), (24, 0, 2, 76), (24, 2, 1, 73), (25, 0, 2.5, 74), (26, 0, 0.5, 62)),
)


def tune():
    """The mandolins' tune."""
    return [note(bar, beat, beats, pitch, 1.0 if beat == 0 else 0.8) for bar, beat, beats, pitch in _TUNE]


def bass_line():
    """The upright bass: roots on the first beat, fifths before the next bar; silent in the introduction."""
    notes = []
    for bar in (*VERSE, *QUIET, *CHOIR, *END):
        root, fifth = BASS_NOTES[CHORDS[bar]]
        soft = 0.6 if bar in QUIET else 1.0
        notes.append(note(bar, 0, 1.8, root, soft))
        if bar not in QUIET and bar != END[-1]:
            notes.append(note(bar, 2, 0.9, fifth, 0.75))
    return notes


def kick_hits():
    """Kick drum: one a bar, and a lighter one before the next in every other bar; silent in introduction and quiet passage."""
    hits = []
    for bar in (*VERSE, *CHOIR, *END):
        hits.append(note(bar, 0, 0.5, 36, 1.0 if bar % 2 else 0.9))
        if bar % 2 == 0 and bar != END[-1]:
            hits.append(note(bar, 2.5, 0.5, 36, 0.6))
    return hits


def brush_taps():
    """Brushes on the snare: beats 2 and 3, softer in the quiet passage."""
    bars = (INTRODUCTION[-1], *VERSE, *QUIET, *CHOIR, *END[:-1])
    return [
        note(bar, beat, 0.4, 38, (0.35 if bar in QUIET else 1.0) * (0.8 if beat == 1 else 1.0)) for bar in bars for beat in (1, 2)
    ]


def accordion_chords():
    """The accordion's buttons: short chords on beats 2 and 3; long ones in introduction and quiet passage."""
    notes = []
    for bar, chord in enumerate(CHORDS):
        sustained = bar in INTRODUCTION or bar in QUIET or bar == END[-1]
        beats = ((0, 2.9),) if sustained else ((1, 0.55), (2, 0.55))
        notes += [note(bar, beat, length, pitch, 0.5 if sustained else 0.8) for beat, length in beats for pitch in TRIADS[chord]]
    return notes


def accordion_tune():
    """The accordion's right hand: an answer to the mandolins, held notes under the choir."""
    verse = ((4, 1, 1.5, 69), (6, 1, 0.5, 69), (6, 1.5, 0.5, 71), (6, 2, 1, 74), (9, 1, 1, 66), (10, 0, 2.5, 69))
    under = tuple((bar, 0, 2.8, TRIADS[CHORDS[bar]][2]) for bar in (*CHOIR[::2], *END[:2]))
    return [note(*entry, 0.9) for entry in (*verse, *under)]


def choir_chords():
    """The choir's chords, two bars each where the harmony stays; (start, length, chord, strength)."""
    bars = (*CHOIR, *END[1:])
    return [(at(bar), BEATS * BEAT_S * 0.97, CHORDS[bar], 0.75 + 0.25 * (i % 4 > 0)) for i, bar in enumerate(bars)]


def announcements():
    """When the announcer speaks: (start, end) in seconds."""
    return [(at(1, 1), at(3, -0.3)), (at(11, 0.3), at(12, 2.4)), (at(13, 0.4), at(14, 2.2)), (at(24, 1), at(25, 2))]


def bell_strokes():
    """The ship's bell: two pairs to begin with, one pair at the end."""
    return [at(0), at(0, 0.7), at(0, 2.5), at(1, 0.2), at(15), at(25), at(25, 0.7)]
