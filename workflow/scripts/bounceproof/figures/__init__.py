"""Figures for video and print: each module draws one, from finished tables only."""

# What rules and report call a figure: the name of its file. In the order in which a reader wants them.
FIGURES = {
    "song_sheet": "song-sheet",
    "survived": "survived",
    "response": "response",
    "speed": "speed",
    "timing": "timing",
    "pair_sums": "pair-sums",
    "stack": "stack",
    "reference": "reference",
}
# Those drawn from what was measured of the mixes.
OF_MIXES = ("reference",)
