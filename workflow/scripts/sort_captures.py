"""Find the transfers in captures of any name, and cut a take out for each.

input:  captures: list of files from returns/unsorted; facts: list of transfers/TRACK.json; calibration:
        [transfers/calibration.json] or nothing
output: table (captures/cuts.tsv: capture, capture_sha256, track, take, file, sha256, channel where the others hold something
        else, together (the other leg of a stereo track that was cut beside it), from_s, to_s, start_s, end_s, note); the cut
        files lie beside it
params: content (the SHA-256 of each capture), settings = {speed_search_percent, taken: {track: [take]}, legs: {track: the other
        leg's}}
"""

from pathlib import Path

from bounceproof.audio import AudioBlocks, AudioProblem, write_float_part
from bounceproof.captures import COLUMNS, find_in_channels, legs_together, take_name, with_repeats
from bounceproof.files import file_sha256, read_json, write_table
from bounceproof_job import check_unchanged, run_job


def main(snakemake):
    settings = snakemake.params.settings
    folder = Path(snakemake.output.table).parent
    transfers = [read_json(path) for path in snakemake.input.facts]
    beside = [read_json(path) for path in snakemake.input.calibration]
    taken = {track: set(names) for track, names in settings["taken"].items()}
    rows = []
    for path, planned in zip(map(Path, snakemake.input.captures), snakemake.params.content, strict=True):
        about = {"capture": path.name, "capture_sha256": planned}
        try:
            rows.extend({**about, **row} for row in sorted_capture(path, (transfers, beside), settings, taken, folder))
        except AudioProblem as problem:
            rows.append({**about, "note": str(problem)})
    for path, planned in zip(snakemake.input.captures, snakemake.params.content, strict=True):
        check_unchanged(path, planned)
    there = {row.get("track") for row in rows} | set(taken)
    for facts in transfers:
        if facts["track"] not in there:
            rows.append({"track": facts["track"], "note": "missing: it was found in no capture"})
    write_table(snakemake.output.table, rows, COLUMNS)


def sorted_capture(path, known, settings, taken, folder):
    """The rows of one capture; each transfer in it is cut to a file of its own. known: facts of the tracks' transfers, and of
    the calibration's.
    """
    transfers, beside = known
    capture = AudioBlocks(path)
    rate_hz = capture.facts.rate_hz
    found = find_in_channels(capture, transfers, speed_search_percent=settings["speed_search_percent"], beside=beside)
    cuts = sorted(((channel, span) for channel, spans in found for span in spans), key=lambda one: one[1].first_sample)
    if not cuts:
        yield {"note": "no click of this session was found in it"}
    noted = with_repeats([span for _, span in cuts])
    cuts = legs_together([(channel, span) for (channel, _), span in zip(cuts, noted, strict=True)], settings["legs"])
    for channel, span, beside in cuts:
        names = taken.setdefault(span.track, set())
        take = take_name(path.stem, names)
        names.add(take)
        name = f"{span.track}/{take}.wav"
        # Where every channel holds the same, all are kept, and the alignment takes the best.
        channel = channel if len(found) > 1 else None
        yield {
            "track": span.track,
            "take": take,
            "file": name,
            "sha256": write_if_new(folder / name, capture, span, channel),
            "channel": channel,
            "together": beside,
            **span.times(rate_hz),
        }


def write_if_new(path, capture, span, channel):
    """Write a cut unless the same bytes lie there: what is not written again keeps its date and reruns nothing."""
    fresh = path.with_name(f".new-{path.name}")
    write_float_part(fresh, capture, span.first_sample, span.last_sample, channel=channel)
    sha256 = file_sha256(fresh)
    if path.is_file() and file_sha256(path) == sha256:
        fresh.unlink()
    else:
        fresh.replace(path)
    return sha256


if __name__ == "__main__":
    run_job(main, snakemake)
