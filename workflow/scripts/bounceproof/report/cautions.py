"""Cautions that run sheet and report show.

Source: NIOSH 98-126 for the exposure limits; the rest is common practice and electrical good sense.
"""

CAUTIONS = (
    (
        "Hearing",
        (
            "Clicks, tones and hiss are loud and come without warning: loudspeakers and headphones down or off"
            " while transferring.",
            "The usual exposure limits hold: 85 dBA for 8 hours, half the time for every 3 dB more (15 minutes at 100 dBA).",
            "Input monitoring off while the recorder passes its input through: the loop can howl.",
        ),
    ),
    (
        "Equipment",
        (
            "Only line-level outputs, through a pad, into a microphone input; never a loudspeaker output:"
            " its bridged outputs have no pole to earth.",
            "Block the plug-in power that many microphone jacks supply (a series capacitor or a transformer).",
            "Against hum use an isolating transformer; never lift a safety earth. Do not open mains-powered gear.",
            "Leaking batteries burn skin and corrode contacts: look before, take them out after.",
            "Local electrical codes and qualified people come first.",
        ),
    ),
    (
        "Tape",
        (
            "Recording erases: work on a blank, never on anybody's only copy.",
            "Keep magnets and loudspeakers away from tape and heads.",
        ),
    ),
)
