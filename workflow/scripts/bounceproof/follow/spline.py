"""The cubic spline through points, with no knot at the last but one of either end.

Not scipy.interpolate's, of which it is bit by bit the CubicSpline: loading that takes longer than all the splines of a return. A
test holds them together. Source: C. de Boor, A Practical Guide to Splines (1978), chapter IV (from memory).
"""

import numpy as np


def through(x, y):
    """A function of places (array) that gives the spline through the points; x increasing, float arrays, two points at least."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.size < 4:
        from scipy.interpolate import CubicSpline

        return CubicSpline(x, y)
    from scipy.linalg import solve_banded

    dx, slope = np.diff(x), np.diff(y) / np.diff(x)
    band, right = np.zeros((3, x.size)), np.empty(x.size)
    band[1, 1:-1], band[0, 2:], band[2, :-2] = 2 * (dx[:-1] + dx[1:]), dx[:-1], dx[1:]
    right[1:-1] = 3 * (dx[1:] * slope[:-1] + dx[:-1] * slope[1:])
    band[1, 0], band[0, 1] = dx[1], x[2] - x[0]
    right[0] = ((dx[0] + 2 * band[0, 1]) * dx[1] * slope[0] + dx[0] ** 2 * slope[1]) / band[0, 1]
    band[1, -1], band[2, -2] = dx[-2], x[-1] - x[-3]
    right[-1] = (dx[-1] ** 2 * slope[-2] + (2 * band[2, -2] + dx[-1]) * dx[-2] * slope[-1]) / band[2, -2]
    steep = solve_banded((1, 1), band, right)
    bend = (steep[:-1] + steep[1:] - 2 * slope) / dx
    cube, square = bend / dx, (slope - steep[:-1]) / dx - bend

    def at(places):
        k = np.clip(np.searchsorted(x, places, side="right") - 1, 0, x.size - 2)
        s = places - x[k]
        return y[k] + steep[k] * s + square[k] * (s * s) + cube[k] * (s * s * s)

    return at
