"""What a mix's samples go through one by one, compiled. Imported where it is used: a job that mixes nothing does not wait for the
compiler. While one of these runs, other threads run too.
"""

from numba import njit


@njit(cache=True, nogil=True)
def add(bus, samples, mix_gain, left, right):
    """Add samples (frames,) to a bus (frames, 2) at the mix's gain and those of the two sides; a side without gain is left as it
    is.
    """
    for k in range(samples.size):
        gained = samples[k] * mix_gain
        if left != 0.0:
            bus[k, 0] += left * gained
        if right != 0.0:
            bus[k, 1] += right * gained
