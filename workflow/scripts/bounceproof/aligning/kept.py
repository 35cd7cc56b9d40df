"""Samples that are there while they are needed: an hour of one channel is 0.7 GB."""


class Kept:
    """One channel of samples that can be read again.

    read: called without arguments for the samples, each time they are needed after having been let go; samples: what it
    returns, where it is at hand already; held_samples: what is no longer stays in memory all along.
    """

    def __init__(self, read, samples=None, *, held_samples=0):
        self._read, self._samples, self._held_samples = read, samples, held_samples

    def get(self):
        if self._samples is None:
            self._samples = self._read()
        return self._samples

    def taken(self):
        """The samples, which are kept here no longer."""
        samples = self.get()
        self.let_go()
        return samples

    def let_go(self):
        if self._samples is not None and len(self._samples) > self._held_samples:
            self._samples = None


def at_hand(samples):
    """Samples in memory that somebody else holds anyway, as Kept."""
    return Kept(lambda: samples)
