"""Whether values taken one after another go up or down as a whole."""

import numpy as np


def straight_trend(places, values, sds, reach, *, least_sd):
    """(change over so many places as `reach` says, its sd) of a straight line by weighted least squares.

    sds: of the values, at least least_sd is believed. Where the values scatter by more than their errors say, the scatter counts.
    """
    places, values = np.asarray(places, dtype=float), np.asarray(values, dtype=float)
    weight = 1.0 / (np.square(sds) + least_sd**2)
    middle = np.average(places, weights=weight)
    spread = np.sum(weight * (places - middle) ** 2)
    slope = np.sum(weight * (places - middle) * values) / spread
    left = values - np.average(values, weights=weight) - slope * (places - middle)
    excess = np.sqrt(max(1.0, np.sum(weight * left**2) / max(len(places) - 2, 1)))
    return float(slope * reach), float(excess / np.sqrt(spread) * reach)
