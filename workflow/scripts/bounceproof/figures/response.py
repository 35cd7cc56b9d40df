"""Figure: the response of each return by third-octaves, and what became of the bands its role needs.

Conventions: gain of the return re its stem, in dB, level as captured taken out (0 dB = the level at which the take goes on),
with its 95 % interval; gaps where it is not known. Bars below: the role's bands, by how far the signal stands over the hiss.
"""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from bounceproof import verdicts
from bounceproof.figures.panels import MOST_PANELS, grid, heading, inside, more
from bounceproof.figures.style import GREEN, ORANGE, VERMILION, hertz_ticks

LOW_HZ, HIGH_HZ, FLOOR_DB, TOP_DB = 45.0, 18000.0, -46.0, 12.0
_BAR_DB = (-45.0, -38.0)
SIGNS = {"kept": (GREEN, "✓"), "marginal": (ORANGE, "~"), "lost": (VERMILION, "✗")}


def draw(look, song):
    """The matplotlib Figure of a Song."""
    sheet = look.sheet(look.say("response title"), look.say("response note"), simulated=song.simulated())
    tracks = song.tracks[:MOST_PANELS]
    if not song.aligned():
        return sheet.nothing(look.say("no aligned return"))
    line = {"color": look.accent, "lw": look.line(2.6), "marker": "o", "markersize": look.line(5)}
    dashed = {"color": look.soft, "ls": "--", "lw": look.line(1.4)}
    patches = [Patch(facecolor=colour, label=f"{sign} {look.say(word)}") for word, (colour, sign) in SIGNS.items()]
    band = look.say("medium band", low=f"{song.band_hz[0]:g}", high=f"{song.band_hz[1]:g}")
    sheet.legend([Line2D([], [], label=look.say("response line"), **line), Line2D([], [], label=band, **dashed), *patches])
    for track, axes in zip(tracks, grid(sheet, len(tracks), x=look.say("frequency"), y=look.say("response axis")), strict=False):
        heading(look, axes, look.name(track.name))
        hertz_ticks(axes, LOW_HZ, HIGH_HZ, ticks=(100, 1000, 10000))
        axes.set_ylim(FLOOR_DB, TOP_DB)
        axes.set_yticks([-40, -20, 0], ["−40", "−20", "0"])
        for edge_hz in song.band_hz:
            axes.axvline(edge_hz, **dashed)
        if track.state != "aligned":
            inside(look, axes, look.say(track.state))
            continue
        _curve(axes, track, line)
        _bars(look, axes, track, song.thresholds)
    more(sheet, len(song.tracks))
    return sheet.figure


def _curve(axes, track, line):
    rows, sigmas = track.band("response_db"), track.band("response_sigma_db")
    hz, level = np.array(sorted(rows)), track.alignment.get("level_db") or 0.0
    gain_db = np.array([rows[f] + level for f in hz])
    half_db = 1.96 * np.array([sigmas[f] for f in hz])
    axes.plot(hz, gain_db, **line)
    axes.fill_between(hz, gain_db - half_db, gain_db + half_db, color=line["color"], alpha=0.3, linewidth=0)


def _bars(look, axes, track, thresholds):
    for band in track.condition.get("role_bands") or []:
        word = verdicts.kept(band["signal_over_hiss_db"], thresholds=thresholds)
        if word not in SIGNS:
            continue
        colour, sign = SIGNS[word]
        low, high = _BAR_DB
        ends = [1.02 * band["low_hz"], band["high_hz"] / 1.02]
        axes.fill_between(ends, low, high, color=colour, linewidth=0, zorder=3)
        middle = np.sqrt(band["low_hz"] * band["high_hz"])
        letters = {"fontsize": look.points(0.62), "color": "#111111", "fontweight": "bold"}
        axes.text(middle, (low + high) / 2, sign, ha="center", va="center_baseline", zorder=4, **letters)
