"""Moving figures with sound, written in the best form that the environment can encode.

Conventions: frames are (height, width, 3) arrays of bytes, sound (frames, 2) floats. An encoder is the program `ffmpeg`, on the
path or as the package imageio-ffmpeg brings it; without one a GIF, numbered frames and a WAV are written.
"""

import itertools
import shutil
import subprocess
import tempfile
from importlib import util
from pathlib import Path

import numpy as np

from bounceproof.audio import write_pcm24_wav
from bounceproof.files import write_atomically

FRAMES_PER_S = 12
_GIF_WIDTH_PX, _GIF_EVERY, _GIF_COLOURS = 640, 2, 64


def encoder():
    """The path of an encoder; None where there is none."""
    found = shutil.which("ffmpeg")
    if found is None and util.find_spec("imageio_ffmpeg"):
        import imageio_ffmpeg

        try:
            found = imageio_ffmpeg.get_ffmpeg_exe()
        except RuntimeError:
            return None
    return found


def write_film(paths, frames, sound, rate_hz):
    """Write a film. paths: film (.mp4), or film (.gif), frames (a folder), sound (.wav); frames: arrays, one after another."""
    if "frames" in paths:
        _write_pieces(paths, frames, sound, rate_hz)
    else:
        _encode(paths["film"], frames, sound, rate_hz)


def _encode(path, frames, sound, rate_hz):
    frames = iter(frames)
    first = next(frames)
    height, width = (size - size % 2 for size in first.shape[:2])
    with write_atomically(path) as temporary, tempfile.TemporaryDirectory() as folder:
        wave, said = Path(folder) / "sound.wav", Path(folder) / "said.txt"
        write_pcm24_wav(wave, sound, rate_hz)
        picture = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{width}x{height}", "-r", str(FRAMES_PER_S), "-i", "-"]
        # One thread, no dates, no version: the same bytes each time.
        plain = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact", "-threads", "1"]
        video = ["-c:v", "libx264", "-preset", "veryfast", "-crf", "20", "-pix_fmt", "yuv420p", "-movflags", "+faststart"]
        command = [encoder(), "-y", "-v", "error", *picture, "-i", str(wave), *video, "-c:a", "aac", "-b:a", "192k", *plain]
        with said.open("w+", encoding="utf-8", errors="replace") as log:
            job = subprocess.Popen([*command, "-f", "mp4", str(temporary)], stdin=subprocess.PIPE, stderr=log, stdout=log)
            try:
                for frame in itertools.chain([first], frames):
                    job.stdin.write(np.ascontiguousarray(frame[:height, :width]).tobytes())
                job.stdin.close()
            except BrokenPipeError:
                pass
            if job.wait():
                log.seek(0)
                words = " ".join(log.read().split())[:300]
                raise OSError(f"{path}: the encoder stopped ({words}); take ffmpeg off the path for a GIF.")


def _write_pieces(paths, frames, sound, rate_hz):
    from PIL import Image

    folder, small = Path(paths["frames"]), []
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for number, frame in enumerate(frames):
        picture = Image.fromarray(frame)
        picture.save(folder / f"{number:05d}.png", compress_level=3)
        if number % _GIF_EVERY == 0:
            height = round(_GIF_WIDTH_PX * frame.shape[0] / frame.shape[1])
            small.append(picture.resize((_GIF_WIDTH_PX, height), Image.Resampling.LANCZOS).quantize(_GIF_COLOURS, dither=0))
    with write_atomically(paths["film"]) as temporary:
        lasts_ms = 1000 * _GIF_EVERY // FRAMES_PER_S
        small[0].save(temporary, format="GIF", save_all=True, append_images=small[1:], duration=lasts_ms, loop=0)
    write_pcm24_wav(paths["sound"], sound, rate_hz)
