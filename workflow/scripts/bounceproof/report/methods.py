"""How each number of the report is found, and after whom: what lies one click away from it.

Conventions: a method has a key, which makes its place in the page (`how-KEY`), a title in plain words, what is done, and the
source; "common practice" stands where the trade does it so and nobody is to be named.
"""

from typing import NamedTuple


class Method(NamedTuple):
    """key, title, text (sentences), source."""

    key: str
    title: str
    text: str
    source: str


METHODS = (
    Method(
        "verdict",
        "From numbers to words",
        "Each check is held against a limit of session.yaml (thresholds, all listed under Settings). A track's word is that"
        " of its worst check: ready, look, record again; rejected is what cannot be laid on the song's time, waiting what has"
        " not come back. The song is ready when no track and no pair asks to be recorded again, is rejected or waits.",
        "common practice; the limits are the session's own",
    ),
    Method(
        "interval",
        "± and ranges",
        "95 % intervals: 1.96 standard deviations, which come from how much sound there was to measure with and from the"
        " noise. Where a number has none, none is known.",
        "J. S. Bendat, A. G. Piersol, Random Data",
    ),
    Method(
        "following",
        "Laying a return on the song's time",
        "The two clicks are found by matched filters; between them the stem that was sent is compared with the return sample"
        " by sample: a smoother finds the time map, the recorder's response and the motion of its motor together. The return"
        " is then read through that map once. No sample of the stem enters it.",
        "H. E. Rauch, F. Tung, C. T. Striebel, AIAA Journal 3 (1965) 1445, for the smoother",
    ),
    Method(
        "timing",
        "Timing left",
        "What the map still gets wrong, rms over the moments in which the stem plays. Each moment is predicted from all the"
        " others and held against what it says itself, so that the figure rests on sound the map did not use.",
        "leave-one-out residuals: P. Craven, G. Wahba, Numerische Mathematik 31 (1979) 377",
    ),
    Method(
        "clicks",
        "Two clicks alone",
        "How far, rms over the moments in which the stem plays, the return would lie off if only the straight line through"
        " its two clicks placed it: wow, drift and flutter between them stay.",
        "the difference between the time map and that line",
    ),
    Method(
        "constant",
        "Constant delay",
        "How well one number is known: by how much the whole track may lie early or late against the others. The clicks fix"
        " it, seen through the same response as the music.",
        "standard deviation of the constant in the joint estimate",
    ),
    Method(
        "speed",
        "Speed, drift, wow, flutter",
        "Speed is replay speed over record speed, from the time map's length: +1 % is short and sharp. Drift is what is"
        " slower than 0.5 Hz, wow 0.5 to 6 Hz, flutter 6 to 100 Hz, as rms of the deviation; weighted flutter is the level"
        " that the weighted deviation exceeds 5 % of the time. Record and replay on one machine add up to anything from none"
        " to twice one pass.",
        "AES6-2008 for weighting and detector",
    ),
    Method(
        "over-hiss",
        "Signal over hiss",
        "Power of the signal over power of the hiss within the medium's band, over the moments in which the stem plays. By"
        " default 10 dB and more is called kept, 3 to 10 dB marginal, less is lost.",
        "third-octaves after IEC 61260-1",
    ),
    Method(
        "hiss",
        "Hiss",
        "Measured where the capture holds neither click nor music, and under the music from what the stem does not explain:"
        " hiss rises with the signal on tape, and a level control opens up in rests. Hum and whine are kept out. Flat means"
        " within the medium's band.",
        "A weighting after IEC 61672-1; noise weighting after ITU-R BS.468-4, as rms and by its quasi-peak detector",
    ),
    Method(
        "level",
        "Level to add",
        "The gain that brings the return to its stem's level over the bands that survive, hiss taken off. It is applied"
        " before the mix, so that send level and capture gain drop out.",
        "powers in third-octaves after IEC 61260-1",
    ),
    Method(
        "response",
        "Response and the band that came back",
        "Return over stem from their cross-spectrum, so that hiss does not lift it; known only where the two are coherent."
        " The band ends where it has fallen by 10 dB (and by 3 dB) under its middle, found in twelfths of an octave.",
        "H1 estimate and its error: J. S. Bendat, A. G. Piersol, Random Data; bias of coherence: G. C. Carter, C. H. Knapp,"
        " A. H. Nuttall, IEEE Trans. Audio Electroacoust. 21 (1973) 337",
    ),
    Method(
        "role",
        "Bands that matter to a role",
        "Each role of a track names bands that carry it (config/roles.yaml). For each: how far it stands over the hiss, what"
        " bringing it back to the stem's level would lift its hiss by, and how loud that hiss then is.",
        "common practice",
    ),
    Method(
        "sent",
        "Peaks against full level",
        "Harmonics that the stem does not have are looked for in its loudest moments. 0 dB is the level at which a sine"
        " would have 3 % third harmonic. Where no overload is seen, the room up to it is told.",
        "maximum output level after IEC 60094-5 and DIN 45500-4",
    ),
    Method(
        "riding",
        "Level riding",
        "The return's level against the stem's, every 2.5 ms. A level control is claimed only where the level moved through"
        " 4 dB or more and the law of such a control explains it; a fading tape or dropouts do not. What its gain does beside"
        " that law is followed too, as far as it stands out of the hiss.",
        "least squares and a Kalman smoother; common practice",
    ),
    Method(
        "dropouts",
        "Dropouts",
        "Moments of 10 ms to 1.3 s at which the return falls far below what its stem makes expect, and comes back. A rest in"
        " the song is none. Depth is that of the deepest 5 ms.",
        "least squares against the windows to both sides",
    ),
    Method(
        "lines",
        "Hum and whine",
        "Steady tones in the stretches without music. Hum is told by its family of mains harmonics; a lone tone is a whine.",
        "spectral peaks over the median of their surroundings",
    ),
    Method(
        "highs",
        "Highs through the song",
        "The upper octave of the medium's band against the octave two below it, block by block: how far the highs fall or"
        " rise from the first to the last.",
        "straight line through the blocks, weighted by their errors",
    ),
    Method(
        "foreign",
        "Other sounds",
        "What the stem leaves unexplained is held against the session's other stems (not erased), the own stem seconds away"
        " (print-through from the next layer of the reel) and all of them backwards (the tape's other side). Named only where"
        " the phase agrees too. A song of more than twelve minutes is searched in portions of about eight, each among the same"
        " eight of every stem. A simulated return has been on no tape and is not searched.",
        "cross-correlation",
    ),
    Method(
        "capture",
        "The capture as a file",
        "Highest sample, runs of samples held at one ceiling (clipping), and direct current, which is taken off.",
        "common practice",
    ),
    Method(
        "pairs",
        "Pairs",
        "Delay of the second return against the first beyond what their stems have, block by block; and the sum of the two"
        " returns held against the sum of their stems through the same responses. A pair adds up as far as that sum stays"
        " within the limit. Two performances of one part do not add up anyway: only their timing counts.",
        "C. H. Knapp, G. C. Carter, IEEE Trans. ASSP 24 (1976) 320; third-octaves after IEC 61260-1",
    ),
    Method(
        "stack",
        "Hiss of the stack",
        "Hiss of separate passes is not alike, so powers add: N equally loud tracks give 10 lg N dB more than one. Hum can"
        " add in amplitude and is kept apart. Muted means silent wherever the stem is silent, with a short hold and fade.",
        "addition of incoherent powers",
    ),
    Method(
        "mixes",
        "The four rough mixes",
        "The same tracks at the same gains: returns as aligned, returns through two clicks, stems, and stems limited to the"
        " medium's band. Correlation is that with the stems' mix at zero lag within the band, which a timing error lowers.",
        "loudness and true peak after ITU-R BS.1770, loudness range after EBU Tech 3342",
    ),
    Method(
        "matrix",
        "Timing between tracks",
        "For every two tracks, over the moments in which both play, rms: what their two time maps leave uncertain, and what"
        " two clicks alone would put wrong.",
        "the maps' own standard deviations together",
    ),
    Method(
        "evening",
        "The evening",
        "Speed, hiss and highs of every take in the order recorded, and a straight line through each: a change is told only"
        " where it is larger than its own error.",
        "weighted least squares",
    ),
    Method(
        "excerpts",
        "Listening excerpts",
        "The loudest seconds of the stem, four times: the stem as sent, the return laid through its two clicks, the return"
        " followed, and the followed return equalised towards the stem as far as what survived carries it. The returns stand"
        " at the stem's level, and one gain brings all four as high as their peaks allow. Compressed for this page (MP3).",
        "the equaliser's limit: N. Wiener, Extrapolation, Interpolation, and Smoothing of Stationary Time Series",
    ),
)
