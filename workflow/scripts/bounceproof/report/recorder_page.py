"""The page on the measured recorder.

Conventions: sentences and tables for people; every number is recorder.json's, with its 95 % interval where it has one.
"""

import base64
from pathlib import Path

from bounceproof.recorder.losses import wavelength_losses
from bounceproof.report import templates
from bounceproof.report.words import fixed, hertz, signed, spread

_LOSSES_HZ = (1000.0, 2000.0, 4000.0, 8000.0)


def recorder_page(name, values, medium, figure):
    """HTML text; values: of recorder.json as read; medium: the session's; figure: path of the PNG."""
    context = {
        "name": name,
        "values": values,
        "facts": facts(values),
        "sentences": sentences(values),
        "losses": losses(medium),
        "medium": medium["label"],
        "picture": f"data:image/png;base64,{base64.b64encode(Path(figure).read_bytes()).decode('ascii')}",
    }
    return templates().get_template("recorder.html.j2").render(context)


def facts(values):
    """[(what, value)] of the page's head."""
    full, ten = values["full"], values["edges"][1]
    flutter = spread(values["weighted_flutter_percent"], values["weighted_flutter_sigma_percent"], 2)
    rows = [("Mean speed", f"{signed(values['speed_percent'], 2)} %")]
    rows.append(("Wow and flutter, weighted (AES6)", f"±{flutter} %"))
    rows.append(("Drift, rms", f"{fixed(values['drift_percent'], 3)} %"))
    rows.append(("Band at −10 dB", f"{hertz(ten['low_hz'])} to {hertz(ten['high_hz'])}"))
    rows.append(("Hiss in the band", f"{spread(values['hiss']['flat_dbfs'], values['hiss']['flat_sigma_db'])} dBFS"))
    if full:
        rows.append(("Maximum output level, 3 %", f"{spread(full['output_dbfs'], full['sigma_db'])} dBFS"))
        rows.append(("Usable range", f"{spread(values['usable_range_db'], values['usable_range_sigma_db'])} dB"))
    return rows


def sentences(values):
    return [*_on_full(values), *_on_control(values), *_on_lines(values), *_on_treble(values), *_on_sweep(values)]


def _on_full(values):
    full = values["full"]
    if full is None:
        return ["No overload was seen up to the highest step: send hotter, or there is no tape in the way."]
    if values["level_control"]["found"]:
        return [
            "Full level was carried on from the harmonics below it: the level control does not let a steady tone come there."
        ] * (not full["reached"])
    return [
        f"A tone sent at {spread(full['send_db'], full['send_sigma_db'])} dBFS (peak) comes to 3 % third harmonic (DIN 45500-4)"
        + ("." if full["reached"] else "; carried on from the steps below it.")
    ]


def _on_control(values):
    control = values["level_control"]
    if not control["found"]:
        return ["No automatic level control: the steps come back as far apart as they were sent, up to where the tape bends."]
    text = (
        f"An automatic level control works from {fixed(control['knee_send_db'])} dBFS sent on and takes off "
        f"{'at least ' if control['at_the_top'] else ''}{fixed(control['range_db'])} dB"
    )
    if control["slope"] is not None:
        text += f"; within it {fixed(control['slope'], 2)} dB come back for each dB sent"
    if control["attack_s"] is not None:
        text += f". Attack {fixed(1000 * control['attack_s'], 0)} ms, release {fixed(control['release_s'], 2)} s"
    return [text + "."]


def _on_lines(values):
    return [
        f"{one['kind'].capitalize()} at {fixed(one['frequency_hz'])} Hz, {fixed(one['level_dbfs'])} dBFS."
        for one in values["lines"]
    ]


def _on_treble(values):
    treble, out = values["treble"], []
    if treble["spacing_like_um"] is not None:
        out.append(
            f"Its treble falls as behind {fixed(treble['spacing_like_um'])} µm between head and tape (amplifiers included)."
        )
    if treble["azimuth_at_most_arc_minutes"] is not None:
        out.append(
            f"Azimuth between recording and replay is off by at most {fixed(treble['azimuth_at_most_arc_minutes'])} arc minutes:"
            " that alone would put the −3 dB point where it is."
        )
    out.append(f"The steady high tone's level is unsteady by {fixed(treble['unsteady_db'], 2)} dB rms.")
    return out


def _on_sweep(values):
    both = values["harmonics_by_sweep"]
    if both is None:
        return []
    return [
        f"At {fixed(both['send_db'], 0)} dBFS the third harmonic stands at {fixed(both['third_by_sweep_db'])} dB by the sweep,"
        f" at {fixed(both['third_by_step_db'])} dB by the steps."
    ]


def losses(medium):
    """What the formulas give for the medium's typical figures: a row a frequency, dB."""
    by_name = wavelength_losses(medium, list(_LOSSES_HZ))
    if not by_name:
        return []
    return [
        {"freq_hz": freq_hz, **{name: float(values[k]) for name, values in by_name.items()}}
        for k, freq_hz in enumerate(_LOSSES_HZ)
    ]
