"""Small session folders for tests."""

import os
import time
from pathlib import Path

import numpy as np
import soundfile
from bounceproof.session import SessionMistakes, load_session

PROJECT = Path(__file__).resolve().parents[1]
RATE_HZ = 48000


def write_stem(path, *, channels=1, frames=4800, rate_hz=RATE_HZ, subtype="PCM_16", tone_hz=440.0):
    """Write a sine stem, a minute old (younger files are looked at twice); the file's ending decides its container."""
    path.parent.mkdir(parents=True, exist_ok=True)
    tone = 0.1 * np.sin(2 * np.pi * tone_hz * np.arange(frames) / rate_hz)
    soundfile.write(path, np.tile(tone[:, None], (1, channels)), rate_hz, subtype=subtype)
    os.utime(path, (time.time() - 60,) * 2)
    return path


def make_session(folder, *, stems=("kick", "bass"), settings="", **tables):
    """A session folder: stems (names, written as WAV), session.yaml's text, tables (tracks, pairs, takes) as text or bytes."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in stems:
        write_stem(folder / "stems" / f"{name}.wav")
    (folder / "session.yaml").write_text(settings, encoding="utf-8")
    for name, content in tables.items():
        content = content.encode() if isinstance(content, str) else content
        (folder / f"{name}.tsv").write_bytes(content)
    return folder


def load(folder, *, project=None):
    """The record of a session folder, with the project's own media and roles and results under the folder's parent."""
    project = project or folder.parent / "project"
    (project / "workflow").mkdir(parents=True, exist_ok=True)
    link = project / "workflow" / "schemas"
    if not link.exists():
        link.symlink_to(PROJECT / "workflow" / "schemas")
    return load_session(folder, config_dir=PROJECT / "config", project_dir=project)


def mistakes_of(folder):
    """The lines of a session's mistakes; empty where it loads."""
    try:
        load(folder)
    except SessionMistakes as mistakes:
        return mistakes.lines
    return []
