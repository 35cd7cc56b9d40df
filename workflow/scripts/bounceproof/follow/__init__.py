"""Follow the stem through its return: the time map from the music itself, to microseconds, with its standard deviation.

`follow` is the entry; it returns a `Followed`; `follow_prepared` is the same for a Sent and a Return made beforehand. The
modules: material (signals at the working rate), search and acquire (coarse path), settle, faint and slips (which cycle),
jumps and overlooked (what no smooth speed explains), fields and sweep (what each moment says), speed, smoother and learn (how
the machine moves), response, constant and joint (what it does to the sound), riding and bending (what a level control and
overload did to it), estimate (the steps in order), doubt, flutter, identity and result.
"""


def __getattr__(name):
    # Compiled kernels are loaded only when something is followed.
    if name in ("follow", "follow_prepared"):
        from . import following

        return getattr(following, name)
    if name in ("Sent", "Return"):
        from . import material

        return getattr(material, name)
    if name in ("Followed", "Jump"):
        from . import result

        return getattr(result, name)
    raise AttributeError(name)
