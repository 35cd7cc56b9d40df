"""Samples that are made where they are sliced: an hour of song fills memory else."""

# Of a channel no longer than this (six minutes at 48 kHz), to read it again costs more than to hold it.
HELD_SAMPLES = 6 * 60 * 48000


def held(samples):
    """The samples, read once where the song is short; else as they are, read where they are sliced."""
    return samples[:] if len(samples) <= HELD_SAMPLES else samples


class Sliced:
    """Samples (frames,), by made(first, last); to whoever slices it, it is an array."""

    def __init__(self, frames, made):
        self.size, self.shape, self._made = frames, (frames,), made

    def __len__(self):
        return self.size

    def __getitem__(self, part):
        first, last, _ = part.indices(self.size)
        return self._made(first, max(first, last))
