"""Figure: what the recorder does to level and band, from its calibration."""

from bounceproof.figures.style import VERMILION, hertz_ticks


def recorder_figure(look, values):
    """The matplotlib Figure of a recorder.json: response with both ends of the band; the ladder's levels and third harmonic."""
    sheet = look.sheet(look.say("recorder title"), look.say("recorder note"), simulated=(1, 1) if values["simulated"] else ())
    letter_px = look.letter_px
    middle, bottom = (sheet.left + sheet.right) / 2, sheet.bottom - 2.7 * letter_px
    top, first, last = sheet.top + 0.5 * letter_px, 4.4 * letter_px, 4.2 * letter_px
    names = {"x": look.say("frequency"), "y": look.say("recorder response", hz=f"{values['tone_hz']:g}")}
    _response(sheet.axes(sheet.left + first, top, middle - letter_px, bottom, grid="both", **names), values, look)
    names = {"x": look.say("sent"), "y": look.say("came back")}
    edges = (middle + first, top, sheet.right - last, bottom)
    _ladder(sheet.axes(*edges, grid="both", **names), sheet.axes(*edges, grid=None), values, look)
    return sheet.figure


def _legend(axes, look, **place):
    axes.legend(frameon=False, labelcolor=look.ink, fontsize=look.points(0.85), **place)


def _response(axes, values, look):
    rows = values["response"]
    freq_hz, level_db = ([row[key] for row in rows] for key in ("freq_hz", "level_db"))
    axes.plot(freq_hz, level_db, color=look.accent, lw=look.line(4))
    for edges, dash in zip(values["edges"], (":", "--"), strict=True):
        places_hz = [edges[name] for name in ("low_hz", "high_hz") if edges[name] is not None]
        for k, place_hz in enumerate(places_hz):
            label = None if k else f"−{edges['down_db']:g} dB"
            axes.axvline(place_hz, color=look.faint, ls=dash, lw=look.line(2.5), label=label)
    if freq_hz:
        hertz_ticks(axes, freq_hz[0], freq_hz[-1])
    axes.set_ylim(-30, max([3.0, *(level + 1 for level in level_db)]))
    if axes.get_legend_handles_labels()[1]:
        _legend(axes, look, loc="lower center", ncols=2)


def _ladder(axes, beside, values, look):
    rows = [row for row in values["ladder"] if row["up_dbfs"] is not None]
    thick, thin, marker = look.line(4), look.line(2.5), look.line(8)
    up = [row["up_dbfs"] for row in rows]
    axes.plot(
        [row["send_db"] for row in rows], up, color=look.accent, lw=thick, marker="o", ms=marker, label=look.say("steps up")
    )
    down = [(row["send_db"], row["down_dbfs"]) for row in rows if row["down_dbfs"] is not None]
    label = look.say("steps down")
    axes.plot(*zip(*down, strict=True), color=look.ink, lw=thin, ls="--", marker="v", ms=marker, label=label)
    seen = [row for row in rows if row["third_percent"] > 3 * row["third_sigma_percent"]]
    if values["full"] is not None and values["full"]["reached"] and not values["level_control"]["found"]:
        axes.axvline(values["full"]["send_db"], color=VERMILION, ls=":", lw=look.line(3), label=look.say("full tape"))
    _legend(axes, look, loc="upper left")
    beside.set_xlim(axes.get_xlim())
    beside.set_xticks([])
    beside.yaxis.tick_right()
    beside.yaxis.set_label_position("right")
    beside.set_ylabel(look.say("third harmonic"), color=look.ink, fontsize=look.points(0.95))
    for name, spine in beside.spines.items():
        spine.set_visible(name == "right")
    third = [row["third_percent"] for row in seen]
    beside.plot([row["send_db"] for row in seen], third, color=VERMILION, lw=thin, marker="s", ms=look.line(7))
    beside.set_yscale("log")
    beside.set_ylim(0.05, 40)
    beside.set_yticks([0.1, 0.3, 1, 3, 10, 30], ["0.1", "0.3", "1", "3", "10", "30"])
    beside.minorticks_off()
