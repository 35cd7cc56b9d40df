"""The page on input matching: which lead or pad, how it is built, and the way back.

Conventions: sentences for people; the numbers are those of `planning.matching`.
"""

from bounceproof.figures.pads import ohms, pad_drawing
from bounceproof.report import templates
from bounceproof.report.cautions import CAUTIONS
from bounceproof.report.words import fixed

_ASSUMED_WORDS = {
    "output_full_scale": "full scale of the output is +12 dBu (matching: output_full_scale)",
    "input_full_mv": "the input's full level is 0.25 mV (matching: input_full_mv); a portable's data sheet says 0.1 to 0.25 mV",
    "earphone_full_mv": "the earphone output gives 500 mV (matching: earphone_full_mv)",
}


def drawings(plan):
    """{kind and series: SVG text} of the plan's pads."""
    shared = {key: plan[key] for key in ("capacitor_uf", "output_ohm", "input_ohm", "plug_in_power")}
    return {f"{pad['kind'].lower()}-{pad['series'].lower()}": pad_drawing(pad, **shared) for pad in plan["pads"]}


def matching_page(name, plan):
    """The page as HTML text; plan: of `planning.matching.plan_matching`."""
    environment = templates()
    environment.filters["ohms"] = ohms
    drawn = drawings(plan)
    context = {
        "name": name,
        "plan": plan,
        "head": head(plan),
        "summary": summary(plan),
        "assumptions": [_ASSUMED_WORDS[key] for key in plan["assumed"]],
        "lead": lead(plan),
        "building": building(plan),
        "back": back(plan["back"]),
        "drawings": [drawn[key] for key in ("l-e24", "u-e24") if key in drawn],
        "cautions": CAUTIONS,
    }
    return environment.get_template("matching.html.j2").render(context)


def head(plan):
    if not plan["pads"] and not plan["lead"]["enough"]:
        return "No pad: turn the output down"
    return f"{fixed(plan['attenuation_db'], 0)} dB between output and microphone jack"


def summary(plan):
    sentences = ["The input's full level is where its data sheet puts full recording level: a sensitivity, not a limit."]
    if plan["automatic_level"]:
        sentences.append(
            "An automatic level control takes some 20 to 40 dB more (from memory), so less attenuation works too; the more level,"
            " the less of the input's own noise, until its first stage overloads."
        )
    return sentences


def lead(plan):
    """Whether a fixed lead of 40 dB is enough."""
    one = plan["lead"]
    if one["rest_db"] < 0:
        return [
            f"A fixed {one['lead_db']:g} dB lead (common practice) takes {fixed(-one['rest_db'], 0)} dB too much here: "
            "use a pad of your own, or send straight with the output control down."
        ]
    rest = f"the other {fixed(max(one['least_rest_db'], 0.0), 0)} to {fixed(one['rest_db'], 0)} dB"
    if not plan["automatic_level"]:
        rest = f"the other {fixed(one['rest_db'], 0)} dB"
    if not one["enough"]:
        return [
            f"A fixed {one['lead_db']:g} dB lead (common practice) is not enough here: it leaves {rest} to the output control, "
            "more than it can set well. Build the pad below, or put a second lead behind the first."
        ]
    sentences = [
        f"A fixed {one['lead_db']:g} dB lead is enough (common practice): {rest} come off at the interface's output control."
    ]
    margin = one["converter_under_hiss_db"]
    if margin < 10:
        sentences.append(
            "If that control works on numbers and not on the voltage, the converter's own noise then lies only "
            f"{fixed(margin, 0)} dB under the tape's hiss; the pad below is better."
        )
    return sentences


def building(plan):
    sentences = [
        "Build the pad into the plug or a small box at the recorder's end, so that the long lead carries the high level.",
        "Metal-film resistors of 1 %, a quarter of a watt.",
    ]
    if plan["plug_in_power"]:
        sentences.append(
            "The jack supplies plug-in power (1.5 to 5 V through 1 to 10 kΩ, common practice): without the capacitor it flows "
            f"through R2 and into the output. C = {plan['capacitor_uf']:g} µF, 16 V or more, its plus towards the jack, "
            f"puts the corner at {fixed(plan['capacitor_corner_hz'])} Hz."
        )
        sentences.append("With the plug in, wait some seconds before recording: the capacitor charges with a thump.")
    else:
        sentences.append(
            "No plug-in power is told; hold a voltmeter to the open jack before you trust that (1.5 to 5 V is usual)."
        )
    if plan["output_balanced"]:
        sentences.append(
            "The output is balanced: the U pad loads both poles alike. Never join one pole of a transformerless balanced output "
            "straight to earth unless its manual allows that."
        )
    else:
        sentences.append("The output has one pole and earth: the L pad is the one; the U pad is for balanced outputs.")
    sentences.append("Never a loudspeaker output: amplifiers for loudspeakers are often bridged and have no pole to earth.")
    return sentences


def back(way):
    sentences = [
        f"The earphone's full level is {fixed(1000 * way['earphone_full_v'], 0)} mV, {fixed(abs(way['level_db']))} dB "
        f"{'under' if way['level_db'] < 0 else 'over'} the line input's full scale.",
        f"Load the earphone output with {ohms(way['load_ohm'])} across its poles (it then bears {fixed(way['load_mw'], 0)} mW): "
        "an output capacitor or transformer works into that as it was meant to; the line input of "
        f"{ohms(way['line_input_ohm'])} alone hardly loads it.",
    ]
    if way["pad"]:
        pad = way["pad"]
        sentences.append(
            f"It can overload the line input: an L pad of {ohms(pad['series_ohm'])} and {ohms(pad['shunt_ohm'])} takes "
            f"{fixed(-pad['gain_db'])} dB off; or turn the recorder's volume down to where hiss still rises with it."
        )
    else:
        sentences.append(
            "No pad is needed; set the recorder's volume so that the loudest moments peak at −12 to −6 dBFS, and leave it."
        )
    sentences += [
        "If the earphone output is bridged, neither pole may touch earth: put an isolating line transformer (10 kΩ : 10 kΩ)"
        " between. The same transformer is the cure for hum; never lift a safety earth.",
        "Run the recorder on batteries where it hums on its mains adaptor.",
    ]
    return sentences
