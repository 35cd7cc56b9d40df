"""The demo's song: an invented harbour ferry's jingle, synthesised from a seed.

Conventions: stems are float32, (frames, channels), 48 kHz, all of one length from the song's start; 1 = full scale. `catalogue`
costs nothing, `synthesise` a second or so. Two microphones on one instrument hear the same source through filters of their own,
as much later as they are further away (343 m/s), and a little of their neighbours.
"""

import zlib

from bounceproof.demo_song.score import DURATION_S, RATE_HZ

# Channels and peak level (dBFS) of each stem: the balance at which their plain sum is a decent mix.
_STEMS = {
    "kick-inside": (1, -8.0),
    "kick-outside": (1, -11.0),
    "brushes": (1, -11.0),
    "bass-pickup": (1, -10.0),
    "bass-mic": (1, -11.0),
    "mandolin-one": (1, -12.0),
    "mandolin-two": (1, -12.0),
    "accordion": (2, -12.0),
    "choir": (1, -10.0),
    "announcer": (1, -7.0),
    "ships-bell": (1, -12.0),
}


def catalogue(seed=1):
    """{stem name: {channels, rate_hz, frames}} without synthesising anything; the same for every seed."""
    frames = round(DURATION_S * RATE_HZ)
    return {name: {"channels": channels, "rate_hz": RATE_HZ, "frames": frames} for name, (channels, _) in _STEMS.items()}


def synthesise(name, seed):
    """One stem, float32 (frames, channels).

    Parameters: `name` as in `catalogue`; `seed` whole number, of which every instrument draws its own stream. Raises KeyError
    with the names there are for any other.
    """
    import numpy as np

    from bounceproof.demo_song.microphones import at_level

    if name not in _STEMS:
        raise KeyError(f"The demo's song has no stem {name!r}; expected one of {', '.join(_STEMS)}.")
    channels, peak_dbfs = _STEMS[name]
    samples = at_level(_BY_NAME[name](seed), peak_dbfs, _generator(seed, f"{name} floor"))
    return np.ascontiguousarray(samples.reshape(-1, channels), dtype=np.float32)


def _generator(seed, name):
    import numpy as np

    return np.random.default_rng([int(seed), zlib.crc32(name.encode())])


# --- sources, the same for every microphone that hears them -----------------------------------------------------------------


def _kick(seed):
    from bounceproof.demo_song import instruments, score

    hits = score.kick_hits()
    return instruments.kick_body(hits), instruments.kick_beater(hits, _generator(seed, "kick"))


def _brushes(seed):
    from bounceproof.demo_song import instruments, score

    return instruments.brushes(score.brush_taps(), _generator(seed, "brushes"))


def _bass(seed):
    from bounceproof.demo_song import instruments, score

    return instruments.bass_string(score.bass_line(), _generator(seed, "bass"))


# --- stems ------------------------------------------------------------------------------------------------------------------


def _kick_inside(seed):
    from bounceproof.demo_song.microphones import bleed, heard

    body, beater = _kick(seed)
    own = heard(body + 0.9 * beater, distance_m=0.05, high_hz=9000.0, resonances=((400, -5, 1.0), (3000, 4, 1.2)))
    return own + bleed(_brushes(seed), own, distance_m=0.9, below_db=36.0)


def _kick_outside(seed):
    from bounceproof.demo_song.microphones import bleed, heard

    body, beater = _kick(seed)
    own = heard(body + 0.35 * beater, distance_m=0.6, low_hz=30.0, high_hz=5500.0, resonances=((95, 4, 1.0), (2400, 2, 1.0)))
    return own + bleed(_brushes(seed), own, distance_m=0.8, below_db=30.0)


def _brushes_mic(seed):
    from bounceproof.demo_song.microphones import bleed, heard

    own = heard(_brushes(seed), distance_m=0.15, low_hz=70.0, resonances=((210, 2, 1.0), (6500, 3, 0.8)))
    return own + bleed(_kick(seed)[0], own, distance_m=0.8, below_db=24.0)


def _bass_pickup(seed):
    from bounceproof.demo_song.microphones import heard

    return heard(_bass(seed), low_hz=35.0, high_hz=4200.0, resonances=((700, 4, 0.8), (2200, 5, 1.0)))


def _bass_mic(seed):
    from bounceproof.demo_song.microphones import bleed, heard

    own = heard(
        _bass(seed), distance_m=0.45, low_hz=40.0, resonances=((103, 5, 3.0), (205, 3, 2.5), (1500, -4, 0.8), (3800, 3, 1.0))
    )
    brushes = bleed(_brushes(seed), own, distance_m=2.6, below_db=34.0)
    return own + brushes + bleed(_kick(seed)[0], own, distance_m=2.4, below_db=32.0)


def _mandolin(seed, name, detune_cents):
    from bounceproof.demo_song import instruments, score
    from bounceproof.demo_song.microphones import heard

    source = instruments.mandolin(score.tune(), _generator(seed, name), detune_cents=detune_cents, loose_s=0.011)
    return heard(source, distance_m=0.3, low_hz=150.0, resonances=((410, 4, 2.0), (1100, 2, 1.5), (2800, 3, 1.2)))


def _accordion(seed):
    """Two microphones half a metre apart: left at the treble side, right at the bass side; each hears the other side too."""
    import numpy as np

    from bounceproof.demo_song import instruments, score
    from bounceproof.demo_song.microphones import heard

    treble = instruments.reeds(score.accordion_tune(), _generator(seed, "accordion treble"), attack_s=0.05)
    chords = instruments.reeds(score.accordion_chords(), _generator(seed, "accordion chords"))
    left = heard(treble, distance_m=0.35) + 0.6 * heard(chords, distance_m=0.62, high_hz=7000.0)
    right = heard(chords, distance_m=0.4) + 0.5 * heard(treble, distance_m=0.66, high_hz=7000.0)
    return np.stack((left, right), axis=1)


def _choir(seed):
    from bounceproof.demo_song import instruments, score
    from bounceproof.demo_song.microphones import heard

    return heard(instruments.choir(score.choir_chords(), score.VOICES, _generator(seed, "choir")), distance_m=1.5, low_hz=90.0)


def _announcer(seed):
    from bounceproof.demo_song import score, speech
    from bounceproof.demo_song.microphones import heard

    return heard(speech.announcer(score.announcements(), _generator(seed, "announcer")), distance_m=0.2, low_hz=80.0)


def _bell(seed):
    from bounceproof.demo_song import instruments, score
    from bounceproof.demo_song.microphones import heard

    return heard(instruments.ships_bell(score.bell_strokes(), _generator(seed, "bell")), distance_m=0.8, low_hz=120.0)


_BY_NAME = {
    "kick-inside": _kick_inside,
    "kick-outside": _kick_outside,
    "brushes": _brushes_mic,
    "bass-pickup": _bass_pickup,
    "bass-mic": _bass_mic,
    "mandolin-one": lambda seed: _mandolin(seed, "mandolin one", -2.0),
    "mandolin-two": lambda seed: _mandolin(seed, "mandolin two", 3.0),
    "accordion": _accordion,
    "choir": _choir,
    "announcer": _announcer,
    "ships-bell": _bell,
}
