"""A track's role guessed from its name, by words of several languages.

Conventions: words are compared in small letters without accents; the longest word that fits wins.
"""

import re
import unicodedata
from functools import cache

_SHORTEST_INSIDE = 5
# Letters that Unicode does not take apart.
_LETTERS = str.maketrans({"œ": "oe", "æ": "ae", "ø": "o", "ł": "l", "đ": "d", "Œ": "Oe", "Æ": "Ae", "Ø": "O", "Ł": "L", "Đ": "D"})


@cache
def plain_words(name):
    """The words of a name in small letters without accents: BassDrum_in2 gives bass, drum, in."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", name.translate(_LETTERS)) if not unicodedata.combining(c))
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", bare)
    return tuple(re.findall(r"[^\W\d_]+", parted.casefold()))


def guess_role(name, roles):
    """The role whose longest word is found in `name`; "other" where none is. roles: {role: {"words": [...]}}."""
    words = plain_words(name)
    best_length, best = 0, "other"
    for role, entry in roles.items():
        for word in entry["words"]:
            plain = "".join(plain_words(word))
            if len(plain) > best_length and _found(plain, words):
                best_length, best = len(plain), role
    return best


def _found(plain, words):
    if any(word == plain or (len(plain) >= _SHORTEST_INSIDE and plain in word) for word in words):
        return True
    # "bass drum" is the kick although "bass" alone is the bass: neighbouring words are read as one, too.
    return any("".join(words[i : i + span]) == plain for span in (2, 3) for i in range(len(words) - span + 1))
