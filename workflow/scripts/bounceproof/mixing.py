"""What a mix's samples go through one by one, compiled. Imported where it is used: a job that mixes nothing does not wait for the
compiler. While one of these runs, other threads run too.
"""

import numpy as np
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


@njit(cache=True, nogil=True)
def filtered_twice(samples, first, second, state, out):
    """Samples (frames, channels) through two second-order filters, one after the other, into out (channels, frames).

    first, second: coefficients (5,) b0, b1, b2, a1, a2, a0 being 1; state: (channels, 4), what the filters remember, changed.
    Direct form II transposed, summed in the order of scipy.signal.lfilter, so that its results come out to the last bit.
    """
    for channel in range(samples.shape[1]):
        z0, z1, w0, w1 = state[channel]
        for k in range(samples.shape[0]):
            x = np.float64(samples[k, channel])
            y = z0 + first[0] * x
            z0 = z1 + x * first[1] - y * first[3]
            z1 = x * first[2] - y * first[4]
            v = w0 + second[0] * y
            w0 = w1 + y * second[1] - v * second[3]
            w1 = y * second[2] - v * second[4]
            out[channel, k] = v
        state[channel] = z0, z1, w0, w1
