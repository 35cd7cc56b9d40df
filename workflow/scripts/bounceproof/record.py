"""The record of a run: what was read, with which settings and versions.

Conventions: machine-independent - paths are relative to the session's folder ("session/..."), the project ("project/...") or the
results ("results/..."); hashes are SHA-256 in hexadecimal; no date, no host, no user.
"""

import re
import sys
from importlib import metadata
from pathlib import Path

from bounceproof.files import file_sha256

PACKAGES = ("numpy", "scipy", "numba", "soundfile", "soxr", "pandas", "matplotlib", "jinja2", "pyloudnorm", "snakemake")


def package_versions():
    """{package: version} of what the results rest on; None for one that is not there."""
    versions = {"python": f"{sys.version_info.major}.{sys.version_info.minor}"}
    for name in PACKAGES:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            versions[name] = None
    return versions


class Places:
    """The folders that paths are told relative to. folders: {word: folder}; the longest that fits wins."""

    def __init__(self, folders):
        known = [(word, Path(folder).resolve()) for word, folder in folders.items() if folder]
        self.folders = sorted(known, key=lambda one: -len(one[1].parts))

    def relative(self, path):
        """A path as "word/inside/it"; one outside all folders by its name alone."""
        full = Path(path).resolve()
        for word, folder in self.folders:
            if full.is_relative_to(folder):
                return "/".join((word, *full.relative_to(folder).parts))
        return f"elsewhere/{full.name}"

    def cleaned(self, value):
        """A plain value with every absolute path in its text made relative."""
        if isinstance(value, dict):
            return {key: self.cleaned(item) for key, item in value.items()}
        if isinstance(value, (list, tuple)):
            return [self.cleaned(item) for item in value]
        return self._text(value) if isinstance(value, str) else value

    def _text(self, text):
        for word, folder in self.folders:
            text = re.sub(re.escape(str(folder)) + r"(?=[/\\]|$|[\s:;,'\"])", word, text)
        return self.relative(text) if Path(text).is_absolute() and "\n" not in text else text


def record(session, files, *, chosen, places):
    """The value of record.json. files: paths read; chosen: {track: take or None}; places: Places."""
    hashes = {places.relative(path): file_sha256(path) for path in files}
    return {
        "name": session["name"],
        "chain": session.get("chain"),
        "seed": session.get("seed"),
        "chosen_takes": chosen,
        "files_sha256": dict(sorted(hashes.items())),
        "versions": package_versions(),
        "session": places.cleaned({key: value for key, value in session.items() if key not in ("folder", "results_dir")}),
    }
