"""All figures of a song, by the names that rules and report know them by."""

from bounceproof.figures import pairsum, reference, response, songsheet, speed, stacking, survived, timing
from bounceproof.figures.style import paint

DRAWN_BY = {
    "song_sheet": songsheet,
    "survived": survived,
    "response": response,
    "speed": speed,
    "timing": timing,
    "pair_sums": pairsum,
    "stack": stacking,
    "reference": reference,
}


def draw_all(song, look, paths):
    """Draw figures of a Song. paths: {name of a figure: paths to write}."""
    shown = song.shown(look.tracks)
    for name, files in paths.items():
        paint(DRAWN_BY[name].draw, look, shown, files)
