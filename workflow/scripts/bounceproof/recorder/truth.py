"""What really happened in a simulated recording, for tests and for the forecast's own marks.

Conventions: `sent_s` counts from the first sample of the file that was sent, `capture_s` from the first sample of the capture
by the rate in its header, both in seconds; levels in dBFS, rms unless named peak, as they stand in the finished capture (its
gain applied). The map is that of the tape's motion alone: filters that delay are described by `response`, not by the map.
"""

from dataclasses import dataclass, field

import numpy as np

from bounceproof.timemap import TimeMap

KNOT_S = 0.5e-3


@dataclass(frozen=True)
class Truth:
    """Settings, map, levels and events of one simulated recording.

    sent_s, capture_s: exact knots every 0.5 ms of sent time, as far as anything sent is heard at all.
    hiss: float32, one value a capture sample: everything random that was added (tape hiss, its rise under signal, noise of the
    recorder's input), gain and polarity included; hum and whine not.
    signal_rms_dbfs: S, the stem as it lies in the capture before hiss, over its 50 ms frames within 30 dB of the loudest.
    hiss_rms_dbfs: N, resting hiss of the tape between 350 and 4200 Hz. hiss_below_signal_db = S - N.
    level_gain_db at level_time_s: gain of the automatic level control, in sent time; both None without one.
    """

    settings: dict
    seed: int
    motion: object
    sent_s: np.ndarray
    capture_s: np.ndarray
    speed_percent: float
    polarity: int
    rate_hz: int
    capture_rate_hz: int
    signal_rms_dbfs: float
    hiss_rms_dbfs: float
    clipped_samples: int
    hiss: np.ndarray
    events: list = field(default_factory=list)
    level_time_s: np.ndarray | None = None
    level_gain_db: np.ndarray | None = None

    @property
    def hiss_below_signal_db(self):
        return self.signal_rms_dbfs - self.hiss_rms_dbfs

    @property
    def heard_until_s(self):
        """Moments sent after this one never reach the capture."""
        return self.motion.heard_until_sent_s

    def capture_at(self, sent_s):
        """Where in the capture (s) a moment sent is heard, exactly; not a number where it never is."""
        return self.motion.capture_at(sent_s)

    def sent_at(self, capture_s):
        """The moment sent (s) that is heard at `capture_s`."""
        return self.motion.sent_at(capture_s)

    def response(self, freq_hz):
        """Complex response of the recorder's filters at `freq_hz` (array), at nominal speed and without its time map.

        Gains, polarity and level control are not in it. Valid under half the rate of the file sent.
        """
        from bounceproof.recorder.channel import machine_response

        return machine_response(self.settings, np.asarray(freq_hz, float), self.rate_hz)

    def time_map(self, stem_start_s, stem_duration_s, *, send_speed=1, sigma_us=0.001):
        """The true map of a stem that was sent from `stem_start_s` on, as a `TimeMap` with knots 0.5 ms of sent time apart.

        `stem_duration_s` is the song's own; the stem was sent `send_speed` times faster. Cut where nothing is heard any more.
        Returns None if nothing of it is heard.
        """
        sent_duration_s = stem_duration_s / send_speed
        count = int(np.ceil(sent_duration_s / KNOT_S)) + 1
        sent_s = stem_start_s + np.linspace(0.0, sent_duration_s, count)
        capture_s = self.capture_at(sent_s)
        heard = np.isfinite(capture_s)
        if heard.sum() < 2:
            return None
        stem_s = (sent_s[heard] - stem_start_s) * send_speed
        return TimeMap(stem_s, capture_s[heard], np.full(stem_s.size, sigma_us))

    def record(self):
        """Plain Python for a JSON file: settings, seed, figures, events, response per frequency; no arrays of samples."""
        freq_hz = 1000.0 * 10.0 ** (np.arange(-16, 13) / 10.0)
        freq_hz = freq_hz[freq_hz < 0.49 * min(self.rate_hz, self.capture_rate_hz)]
        response = self.response(freq_hz)
        return {
            "simulated": True,
            "seed": int(self.seed),
            "settings": self.settings,
            "speed_percent": self.speed_percent,
            "polarity": self.polarity,
            "capture_rate_hz": int(self.capture_rate_hz),
            "signal_rms_dbfs": self.signal_rms_dbfs,
            "hiss_rms_dbfs": self.hiss_rms_dbfs,
            "hiss_below_signal_db": self.hiss_below_signal_db,
            "clipped_samples": self.clipped_samples,
            "heard_until_sent_s": float(self.heard_until_s),
            "events": self.events,
            "response": [
                {"freq_hz": float(f), "gain_db": float(20 * np.log10(max(abs(h), 1e-12))), "phase_rad": float(np.angle(h))}
                for f, h in zip(freq_hz, response, strict=True)
            ],
        }
