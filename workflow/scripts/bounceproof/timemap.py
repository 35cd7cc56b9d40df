"""Time maps: where in a capture each moment of a stem lies.

Conventions: `stem_s` counts the song's time from the stem's first sample; `return_s` counts the capture's time from its
first sample, by the rate in its own header; both in seconds. Between knots straight lines; outside them straight on at the
mean speed. `sigma_us` = one standard deviation in microseconds, inf where the map is not known. speed = stem duration
over return duration.
"""

import itertools

import numpy as np

from bounceproof.files import write_atomically

COLUMNS = ("stem_s", "return_s", "sigma_us")
KNOT_S = 0.002
_LINES_AT_ONCE = 1000
# In bytes, and far from it.
_LONGEST_LINE = 4096


class TimeMap:
    """A strictly increasing map from stem time to return time.

    stem_s, return_s, sigma_us: equally long float arrays, at least two knots. Raises ValueError where times do not increase
    strictly, or a sigma is negative or not a number.
    """

    def __init__(self, stem_s, return_s, sigma_us):
        self.stem_s = np.array(stem_s, dtype=float)
        self.return_s = np.array(return_s, dtype=float)
        self.sigma_us = np.array(np.broadcast_to(np.asarray(sigma_us, dtype=float), self.stem_s.shape))
        self._check()

    def _check(self):
        if self.stem_s.ndim != 1 or self.stem_s.shape != self.return_s.shape or self.stem_s.size < 2:
            raise ValueError(
                f"a time map needs two equally long rows of knots; got {self.stem_s.shape} and {self.return_s.shape}"
            )
        for name, times in (("stem", self.stem_s), ("return", self.return_s)):
            bad = ~(np.diff(times) > 0)
            if bad.any():
                raise ValueError(
                    f"{name} time does not increase after knot {int(np.argmax(bad))} at {times[np.argmax(bad)]:.6f} s"
                )
        if not (self.sigma_us >= 0).all():
            raise ValueError("a time map's sigma is negative or not a number")

    @classmethod
    def straight(cls, offset_s, speed_ratio, stem_seconds, *, sigma_us=np.inf):
        """The map return = offset_s + stem / speed_ratio, with knots KNOT_S apart from 0 to stem_seconds."""
        stem_s = knot_times(stem_seconds)
        return cls(stem_s, offset_s + stem_s / speed_ratio, sigma_us)

    @property
    def mean_speed_ratio(self):
        return (self.stem_s[-1] - self.stem_s[0]) / (self.return_s[-1] - self.return_s[0])

    @property
    def speed_percent(self):
        return 100.0 * (self.mean_speed_ratio - 1.0)

    def at(self, stem_s):
        """Return time of each stem time (array or scalar)."""
        return _along(stem_s, self.stem_s, self.return_s, 1.0 / self.mean_speed_ratio)

    def stem_at(self, return_s):
        """Stem time of each return time (array or scalar)."""
        return _along(return_s, self.return_s, self.stem_s, self.mean_speed_ratio)

    def sigma_at(self, stem_s):
        """Standard deviation in us at each stem time: the larger of the two neighbouring knots where one is inf."""
        safe = np.where(np.isfinite(self.sigma_us), self.sigma_us, 0.0)
        unknown = np.interp(stem_s, self.stem_s, ~np.isfinite(self.sigma_us))
        return np.where(unknown > 0, np.inf, np.interp(stem_s, self.stem_s, safe))[()]

    def sigma_in_song_us(self, stem_s):
        """The same in us of the stem's own time: as many times more as the stem was sent faster."""
        return self.sigma_at(stem_s) * self.mean_speed_ratio

    def late_by_line_s(self, click_stem_s, click_return_s):
        """How late (s of the stem's time, one value a knot) a return would lie if it were read through the straight line through
        its two clicks instead of this map.

        click_stem_s, click_return_s: (start, end); where one of click_return_s is None the line has the map's mean speed, where
        both are it starts at the first knot.
        """
        (start_s, end_s), (start_back_s, end_back_s) = click_stem_s, click_return_s
        slope = 1.0 / self.mean_speed_ratio
        if start_back_s is None and end_back_s is None:
            start_s, start_back_s = self.stem_s[0], self.return_s[0]
        elif start_back_s is None:
            start_s, start_back_s = end_s, end_back_s
        elif end_back_s is not None:
            slope = (end_back_s - start_back_s) / (end_s - start_s)
        return (self.return_s - start_back_s) / slope - (self.stem_s - start_s)

    def resampled(self, stem_s):
        """The same map with knots at `stem_s` (increasing)."""
        return TimeMap(stem_s, self.at(stem_s), self.sigma_at(stem_s))

    def shifted(self, stem_by_s):
        """The same map with stem time counted from `stem_by_s` on."""
        return TimeMap(self.stem_s - stem_by_s, self.return_s, self.sigma_us)


def knot_times(stem_seconds, *, spacing_s=KNOT_S):
    """Times from 0 to stem_seconds inclusive, evenly spaced, at most spacing_s apart."""
    if not stem_seconds > 0:
        raise ValueError(f"a stem's length must be above 0 s; got {stem_seconds}")
    count = max(1, int(np.ceil(stem_seconds / spacing_s - 1e-9)))
    return np.linspace(0.0, stem_seconds, count + 1)


def _along(x, knots_x, knots_y, slope):
    x = np.asarray(x, dtype=float)
    y = np.asarray(np.interp(x, knots_x, knots_y))
    for end, beyond in ((0, x < knots_x[0]), (-1, x > knots_x[-1])):
        if beyond.any():
            y = np.where(beyond, knots_y[end] + slope * (x - knots_x[end]), y)
    return y[()]


def write_time_map(path, time_map):
    """Write a map as TSV (columns stem_s, return_s, sigma_us; times with 9 decimals); None writes the header alone."""
    with write_atomically(path) as temporary, temporary.open("w", encoding="ascii", newline="\n") as out:
        out.write("\t".join(COLUMNS) + "\n")
        if time_map is not None:
            knots = np.column_stack((time_map.stem_s, time_map.return_s, time_map.sigma_us))
            # Some at a time: half the cost of a line at a time, and next to no memory.
            for first in range(0, len(knots), _LINES_AT_ONCE):
                some = knots[first : first + _LINES_AT_ONCE]
                out.write("%.9f\t%.9f\t%.6g\n" * len(some) % tuple(some.ravel().tolist()))


def read_time_map(path, *, every=1):
    """The map of a file written by `write_time_map`, or only every so many of its knots; None where it holds its header alone."""
    with open(path, "rb") as lines:
        header = lines.readline().decode("ascii").rstrip("\n").split("\t")
        if tuple(header) != COLUMNS:
            raise ValueError(f"{path}: the header reads {header}; expected {list(COLUMNS)}")
        first = lines.readline()
        if not first:
            return None
        # A map of an hour has two million lines: numpy's own text reader is twice as fast as splitting them here.
        chosen = itertools.chain([first], lines) if every == 1 else _some(first, lines, every)
        knots = np.loadtxt(chosen, delimiter="\t", ndmin=2, encoding="ascii")
    return TimeMap(*knots.T)


def _some(first, lines, every):
    """The first line, every so many after it, and the last."""
    chosen = [first, *itertools.islice(lines, every - 1, None, every)]
    lines.seek(max(0, lines.tell() - _LONGEST_LINE))
    last = lines.readlines()[-1]
    return chosen if chosen[-1] == last else [*chosen, last]
