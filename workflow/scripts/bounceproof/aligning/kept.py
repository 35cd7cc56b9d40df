"""Samples that are there while they are needed: an hour of one channel is 0.7 GB."""


class Kept:
    """One channel of samples that can be read again.

    read: called without arguments for the samples, each time they are needed after having been let go; samples: what it
    returns, where it is at hand already; hold_bytes: what is no larger stays in memory all along.
    """

    def __init__(self, read, samples=None, *, hold_bytes=0):
        self._read, self._samples, self._hold_bytes = read, samples, hold_bytes

    def get(self):
        if self._samples is None:
            self._samples = self._read()
        return self._samples

    def let_go(self):
        if self._samples is not None and self._samples.nbytes > self._hold_bytes:
            self._samples = None


def at_hand(samples):
    """Samples in memory that somebody else holds anyway, as Kept."""
    return Kept(lambda: samples)
