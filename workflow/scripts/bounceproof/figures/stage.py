"""What moves in a figure: a still sheet is drawn once, and only what changes is drawn over it for each frame."""

import matplotlib
import numpy as np

from bounceproof.figures.style import RC


class Stage:
    """sheet: a Sheet, everything on it that moves made with animated=True."""

    def __init__(self, sheet):
        self.figure = sheet.figure
        self._canvas = self.figure.canvas
        with matplotlib.rc_context(RC):
            self._canvas.draw()
        self._still = self._canvas.copy_from_bbox(self.figure.bbox)

    def frame(self, artists):
        """The picture with these artists in it, (height, width, 3) bytes."""
        self._canvas.restore_region(self._still)
        for artist in artists:
            self.figure.draw_artist(artist)
        return np.array(self._canvas.buffer_rgba())[..., :3]
