"""What a level control's gain does beside its law: no two machines ride alike, and what the law leaves over would pass for hiss
under music.

Conventions: gains in nepers (1 Np = 8.686 dB) beside the ride that is on already; a cell as in `explained`.
Method: the gain beside the law is an Ornstein-Uhlenbeck process (G. Uhlenbeck and L. Ornstein, Phys. Rev. 36 (1930) 823), seen
once a cell with the noise of the return; its size and memory are those of the largest marginal likelihood, and it is believed
at all only where that outdoes "no more than the law" by what two numbers cost (G. Schwarz, Ann. Statist. 6 (1978) 461).
"""

from itertools import product
from typing import NamedTuple

import numpy as np

_SIZES_NP = (0.01, 0.02, 0.04, 0.08, 0.16)
_MEMORIES_S = (0.01, 0.03, 0.1, 0.3, 1.0)
# The return's noise fills the medium's band only, some two thirds of the working one: there it is denser by so much.
_DENSER = 1.5
_MOST_NP = 0.7


class Beside(NamedTuple):
    """gain_np, sd_np: (cells,) the gain beside the law and its sd."""

    gain_np: np.ndarray
    sd_np: np.ndarray


def beside_law(explained, noise, hurt, before_np):
    """The Beside of an Explained that has its ride on, with before_np (per cell) in it already; None where the law does it all.

    noise: as its noise_per_sample gives it; hurt: cells that tell nothing (dropouts).
    """
    from bounceproof.condition.compiled import filtered, smoothed

    constant, share = noise
    own = np.where(hurt, 0.0, explained.own)
    heard = own > 0
    variance = _DENSER * (constant + share * own / explained.cell)
    told = np.where(heard, own / variance, 0.0)
    seen_np = np.where(heard, explained.cross / np.where(heard, own, 1.0) - 1.0, 0.0) + before_np
    seen_np = np.clip(seen_np, -_MOST_NP, _MOST_NP)
    # A gain common to all is the response's.
    seen_np = seen_np - np.sum(told * seen_np) / max(told.sum(), 1e-30)
    processes = [(size**2, float(np.exp(-explained.cell_s / memory_s))) for size, memory_s in product(_SIZES_NP, _MEMORIES_S)]
    most, best = max((filtered(told, seen_np, *process)[0], process) for process in processes)
    if most < np.log(max(heard.sum(), 1)):
        return None
    gain_np, variance_np = smoothed(told, seen_np, *best)
    return Beside(gain_np, np.sqrt(variance_np))
