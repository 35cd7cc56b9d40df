"""What following a return gives back."""

from dataclasses import dataclass, field

import numpy as np

from bounceproof.timemap import TimeMap


@dataclass(frozen=True)
class Jump:
    """A change of the map that no speed explains: at_s (sent time), by_us (return time added there), kind: "capture gap",
    "slip", "jump" (one of
    these, it lies in a rest), "swoop", "stop" or "change of speed"."""

    at_s: float
    by_us: float
    kind: str


@dataclass(frozen=True)
class Followed:
    """A return followed.

    time_map: sent time to return time (TimeMap, knots 2 ms apart, sigma_us the constant's doubt included, inf where not aligned),
    or None with `reason` where the return cannot be placed. offset_sigma_us: standard deviation of the map's constant.
    polarity: 1 or -1. residual_rms_us: leave-one-out, with residual_expected_us beside it; inflation: the factor the two made
    necessary on every sigma. clicks_only_rms_us: error of the straight line through the guess, by the map found. spans:
    (from, to)
    in sent seconds that are aligned. flutter: a Flutter or None. response_taps: at response_hz, the first at response_first_lag.
    missing: share of the capture that is missing in many pieces, where that is why it cannot be placed; ambiguous: it fits
    at several
    places. anchored_by: "clicks" or "music".
    speed_model: the speed process as learned. explained: median share (whitened) of the return that is
    the stem's. flags: words; hints: sentences.
    """

    time_map: TimeMap | None
    reason: str | None = None
    offset_sigma_us: float = np.inf
    polarity: int = 1
    residual_rms_us: float = np.nan
    residual_expected_us: float = np.nan
    inflation: float = 1.0
    clicks_only_rms_us: float = np.nan
    spans: tuple = ()
    jumps: tuple = ()
    flutter: object = None
    response_taps: np.ndarray | None = None
    response_first_lag: int = 0
    response_hz: int = 0
    anchored_by: str = "music"
    speed_model: object = None
    likeness: float = np.nan
    explained: float = np.nan
    missing: float = 0.0
    ambiguous: bool = False
    flags: tuple = ()
    hints: tuple = field(default=())
