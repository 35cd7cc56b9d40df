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
# Those of the mixes, drawn after what was measured of them: what they are against their references, and what hisses in them.
OF_MIXES = ("stack", "reference")
