"""Memory that is free is the system's again."""

import ctypes
import sys


def give_back():
    """Give the system what was let go between small pieces that are still in use: half a gigabyte when an hour has been followed.
    Nothing where the C library keeps no such holes, or has no way to ask.
    """
    if sys.platform == "linux" and hasattr(library := ctypes.CDLL(None), "malloc_trim"):
        library.malloc_trim(0)
