"""Figure: what the recorder does to level and band, from its calibration."""

from bounceproof.figures.style import VERMILION, hertz_ticks


def recorder_figure(values, look):
    """The matplotlib Figure of a recorder.json: response with both ends of the band; the ladder's levels and third harmonic."""
    figure = look.figure("The recorder", simulated=values["simulated"])
    left, right = figure.subplots(1, 2)
    _response(left, values, look)
    _ladder(right, values, look)
    return figure


def _response(axes, values, look):
    rows = values["response"]
    freq_hz, level_db = ([row[key] for row in rows] for key in ("freq_hz", "level_db"))
    look.axes(axes, x="Frequency, Hz", y=f"Response, dB re {values['tone_hz']:g} Hz", grid="both")
    axes.plot(freq_hz, level_db, color=look.accent, lw=2)
    for edges, dash in zip(values["edges"], (":", "--"), strict=True):
        places_hz = [edges[name] for name in ("low_hz", "high_hz") if edges[name] is not None]
        for k, place_hz in enumerate(places_hz):
            axes.axvline(place_hz, color=look.faint, ls=dash, lw=1.2, label=None if k else f"−{edges['down_db']:g} dB")
    if freq_hz:
        hertz_ticks(axes, freq_hz[0], freq_hz[-1])
    axes.set_ylim(-30, max([3.0, *(level + 1 for level in level_db)]))
    if axes.get_legend_handles_labels()[1]:
        look.legend(axes, loc="lower center", ncols=2)


def _ladder(axes, values, look):
    rows = [row for row in values["ladder"] if row["up_dbfs"] is not None]
    send_db = [row["send_db"] for row in rows]
    look.axes(axes, x="Sent, dBFS (peak of the tone)", y="Came back, dBFS", grid="both")
    axes.plot(send_db, [row["up_dbfs"] for row in rows], color=look.accent, lw=2, marker="o", ms=4, label="steps upwards")
    down = [(row["send_db"], row["down_dbfs"]) for row in rows if row["down_dbfs"] is not None]
    axes.plot(*zip(*down, strict=True), color=look.ink, lw=1.2, ls="--", marker="v", ms=4, label="steps downwards")
    seen = [row for row in rows if row["third_percent"] > 3 * row["third_sigma_percent"]]
    if values["full"] is not None and values["full"]["reached"] and not values["level_control"]["found"]:
        axes.axvline(values["full"]["send_db"], color=VERMILION, ls=":", lw=1.5, label="3 % third harmonic")
    look.legend(axes, loc="upper left")
    beside = axes.twinx()
    look.axes(beside, y="Third harmonic, %", grid=None)
    beside.spines["right"].set_visible(True)
    beside.plot(
        [row["send_db"] for row in seen], [row["third_percent"] for row in seen], color=VERMILION, lw=1.2, marker="s", ms=3.5
    )
    beside.set_yscale("log")
    beside.set_ylim(0.05, 40)
    beside.set_yticks([0.1, 0.3, 1, 3, 10, 30], ["0.1", "0.3", "1", "3", "10", "30"])
