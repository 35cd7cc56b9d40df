"""Names of tracks, pairs, takes and sessions, which all become names of files and folders; and their order.

Conventions: a name is text in Unicode's composed form (NFC), at most 100 bytes of UTF-8, safe on every common file
system and within the workflow's path patterns. Two names clash when they differ by case or composition only.
Source of the names no Windows system can hold: Microsoft's public page on naming files.
"""

import re
import unicodedata

LONGEST_BYTES = 100
PUNCTUATION = " _-.+#&(),'"
AUDIO_ENDINGS = (".wav", ".wave", ".flac", ".aif", ".aiff", ".aifc", ".w64", ".rf64", ".caf")
_OTHER_ENDINGS = (".json", ".tsv", ".html", ".png", ".svg", ".hiss")
_DEVICES = {"con", "prn", "aux", "nul"} | {f"{port}{digit}" for port in ("com", "lpt") for digit in range(10)}
_TRACKS_RESERVED = {
    "returned", "returned-clicks", "source", "narrow-band", "run-sheet", "calibration", "trials", "unsorted",
}  # fmt: skip
_RESERVED = {
    "track": _TRACKS_RESERVED,
    "take": {"best", "latest", "average", "simulated"},
    "pair": set(),
    "session": set(),
}
ALLOWED = f"letters, digits, spaces and {' '.join(PUNCTUATION.strip())}"


def composed(text):
    """Text in Unicode's composed form: file systems hand out either form for one and the same name."""
    return unicodedata.normalize("NFC", text)


def folded(name):
    """The form in which two names are compared: case and composition do not count."""
    return composed(composed(name).casefold())


def natural_key(name):
    """Sort key that reads digits as numbers: take2 before take10."""
    pieces = re.split(r"([0-9]+)", folded(name))
    return [int(piece) if index % 2 else piece for index, piece in enumerate(pieces)], name


def name_problem(name, kind):
    """What makes `name` unusable as the name of a `kind` (track, pair, take, session), as a phrase; None if it is fine."""
    bad = next((c for c in name if not _allowed(c)), None)
    if not name:
        return "a name is expected"
    if bad is not None:
        return f"{_character(bad)} cannot stand in a name; allowed are {ALLOWED}"
    if len(composed(name).encode()) > LONGEST_BYTES:
        return f"the name has {len(composed(name).encode())} bytes; at most {LONGEST_BYTES} are allowed"
    if not _can_begin(name[0]):
        return f"a name cannot begin with {_character(name[0])}; begin with a letter or a digit"
    if name[-1] in ". ":
        return f"a name cannot end with {_character(name[-1])}, which some file systems drop; take it off"
    if name.split(".")[0].strip().casefold() in _DEVICES:
        return f"some systems cannot hold a file called {name.split('.')[0].strip()}; add a word to it"
    if folded(name) in _RESERVED[kind]:
        return (
            f"this name is reserved for the project's own files; choose another (reserved: {', '.join(sorted(_RESERVED[kind]))})"
        )
    if folded(name).endswith(AUDIO_ENDINGS + _OTHER_ENDINGS):
        return f"a name cannot end like a file ({name[name.rindex('.') :]}); leave the ending out"
    return None


def _allowed(character):
    return character in PUNCTUATION or unicodedata.category(character)[0] in "LM" or unicodedata.category(character) == "Nd"


def _can_begin(character):
    return character in "_+#&(" or unicodedata.category(character)[0] in "LN"


def _character(character):
    if character == " ":
        return "a space"
    return f"'{character}'" if character.isprintable() else f"the invisible character U+{ord(character):04X}"


def safe_name(text, kind="track"):
    """A usable name as near to `text` as can be: unusable characters become dashes, reserved words get `kind` before them."""
    name = re.sub(r"-{2,}", "-", "".join(c if _allowed(c) else "-" for c in composed(text)))
    while name.encode()[LONGEST_BYTES - 10 :]:
        name = name[:-1]
    while name and not _can_begin(name[0]):
        name = name[1:]
    name = name.rstrip(". -") if name_problem(name, kind) or name.endswith("-") else name
    name = name or kind
    return name if name_problem(name, kind) is None else f"{kind}-{name.replace('.', '-')}"
