"""alignment.json while it is being filled.

Conventions: flags are single words for tables and the terminal, hints their sentences for a person, remarks sentences on what
needs nothing done; a level or time that was not measured is None.
"""

from bounceproof.aligning.channels import is_silent
from bounceproof.condition.capture import clipping, current_step

ALIGNED, REJECTED = "aligned", "rejected"
_DC_FLAG_DBFS = -50.0
# An interface's noise lies near -100 dBFS; a machine's hiss has to stand clear of it.
_LOW_PEAK_DBFS = -45.0
# Of less no music is known, whatever it is.
SHORTEST_S = 0.5
# What one clock writes under the other's header; a speed is taken for that only where a machine's own seldom is so far off.
MISTAKEN_RATES_HZ = {44100: 48000, 48000: 44100, 88200: 96000, 96000: 88200}
_UNLIKELY_PERCENT, _LIKELY_PERCENT = 5.0, 2.0
FACTOR_WORDS = {0.25: "a quarter of its speed", 0.5: "half speed", 2.0: "double speed", 4.0: "four times its speed"}


class CannotPlace(Exception):
    """A return that cannot be laid; its text is the reason, `next_step` what to do."""

    def __init__(self, reason, next_step):
        super().__init__(reason)
        self.next_step = next_step


class WrongMusic(CannotPlace):
    """A return whose music is not the stem's, as far as can be heard."""


class Draft:
    """The values of alignment.json, filled step by step and finished as aligned or rejected."""

    def __init__(self, capture_facts, method, remarks):
        self.flags, self.hints, self.remarks = [], [], list(remarks)
        self._next_step = None
        self.values = {
            "method": method,
            "capture": capture_facts,
            "clicks": [],
            "start_click_return_s": None,
            "end_click_return_s": None,
            **dict.fromkeys(("speed_percent", "polarity", "level_db", "level_sigma_db", "clicks_only_rms_us", "residual_rms_us")),
            **dict.fromkeys(("offset_sigma_us", "drift_percent", "wow_percent", "flutter_percent", "weighted_flutter_percent")),
        }

    def flag(self, word, hint, next_step=None):
        if word not in self.flags:
            self.flags.append(word)
        self.hints.append(hint)
        self._next_step = self._next_step or next_step

    def look_for_damage(self, samples, rate_hz):
        """What is wrong with the capture as a file. Raises CannotPlace for silence and for a scrap."""
        if is_silent(samples):
            raise CannotPlace(
                "The capture is digital silence: nothing reached the converter.",
                "Check the cable, the input chosen and the record level, and capture it again.",
            )
        if len(samples) < SHORTEST_S * rate_hz:
            raise CannotPlace(f"The capture lasts only {len(samples) / rate_hz:.2f} s.", "Capture the whole transfer.")
        clipped = clipping(samples, rate_hz)
        self.values["capture"]["clipping"] = clipped
        if clipped["runs"]:
            side = {"both": "", "upper": ", upper side only", "lower": ", lower side only", None: ""}[clipped["side"]]
            self.flag(
                "clipped",
                f"Clipped {clipped['runs']} times at {clipped['at_dbfs']:.1f} dBFS{side}, first at {clipped['first_s']:.2f} s.",
                "Lower the capture level and play the tape again.",
            )
        peak_dbfs = self.values["capture"]["peak_dbfs"]
        if peak_dbfs < _LOW_PEAK_DBFS:
            self.flag(
                "low level",
                f"The capture peaks at {peak_dbfs:.0f} dBFS only, near the interface's own noise.",
                "Raise the capture level, or take a smaller pad, and capture it again.",
            )
        dc_dbfs = self.values["capture"]["dc_dbfs"]
        if dc_dbfs > _DC_FLAG_DBFS:
            self.flag("direct current", f"Direct current of {dc_dbfs:.1f} dBFS was taken off.")
        step = current_step(samples, rate_hz)
        if step:
            self.flag(
                "direct current",
                f"Direct current changed by {step[1]:+.3f} of full scale at about {step[0]:.1f} s, which may click there.",
                "Look at the plug-in power of the input and at the cable, and capture it again.",
            )

    def note_clicks(self, placed, names):
        for end, hit in (("start", placed.start), ("end", placed.end)):
            if hit:
                self.values[f"{end}_click_return_s"] = hit.instant_s
                self.values["clicks"].append({**hit._asdict()})
        if placed.factor != 1.0:
            words = FACTOR_WORDS[placed.factor]
            self.flag(
                "wrong speed",
                f"Played at {words}; it is used, but what lay beyond the capture's band is lost.",
                "Set the machine's speed and capture it again.",
            )
        if bool(placed.start) != bool(placed.end):
            missing = "end" if placed.start else "start"
            self.flag(
                "one click",
                f"The {missing} click is missing: the speed is that of the other click alone.",
                "Capture the whole transfer.",
            )
        if (placed.start or placed.end) and placed.others:
            others = ", ".join(
                names.get(number, f"number {number}") for number in sorted({number for number, _ in placed.others})
            )
            self.remarks.append(f"Clicks of other transfers are in the capture too: {others}.")

    def note_rate(self, speed_percent):
        """Where the speed is that of a mistaken sample rate, say so; it may as well be the tape's, so nothing is changed."""
        rate_hz = self.values["capture"]["rate_hz"]
        other_hz = MISTAKEN_RATES_HZ.get(rate_hz)
        if other_hz is None or abs(speed_percent) < _UNLIKELY_PERCENT:
            return
        as_other_percent = 100 * ((1 + speed_percent / 100) * other_hz / rate_hz - 1)
        if abs(as_other_percent) < _LIKELY_PERCENT:
            self.flag(
                "rate in doubt",
                f"The header says {rate_hz} Hz. If the capture ran at {other_hz} Hz, the tape was {as_other_percent:+.1f} % off "
                f"and not {speed_percent:+.1f} %: a guess; it is laid by the header.",
                "Look which rate the interface ran at; if it was not the header's, capture it again.",
            )

    def note_reach(self, time_map, capture_s):
        lost_s = max(0.0, time_map.stem_s[-1] - float(time_map.stem_at(capture_s))) + max(0.0, float(time_map.stem_at(0.0)))
        if lost_s > 0.01:
            self.flag(
                "cut short", f"{lost_s:.1f} s of the stem lie outside the capture and stay silent.", "Capture the whole transfer."
            )

    def aligned(self):
        return self._finished(ALIGNED, None)

    def rejected(self, reason, next_step):
        self._next_step = next_step
        return self._finished(REJECTED, reason)

    def _finished(self, state, reason):
        return {
            "state": state,
            "reason": reason,
            "flags": self.flags,
            "hints": self.hints,
            "remarks": self.remarks,
            "next_step": self._next_step,
            **self.values,
        }
