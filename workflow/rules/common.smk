"""The session, its tracks and takes, and the small functions that the rules share."""

import re
import sys
from functools import cache
from pathlib import Path

PROJECT = Path(workflow.basedir)
sys.path[:0] = [str(PROJECT / "workflow" / "scripts"), str(PROJECT / "workflow")]

import progress
from code_version import code_version
from contents import Contents
from session_start import (
    check_new_session,
    check_other_record,
    chosen_session,
    display_lines,
    from_caller,
    made_of,
    relative_to_project,
)

from bounceproof.files import file_sha256, read_json, read_table, remove_unfinished
from bounceproof.remembered import Remembered

if config.get("stems"):
    check_new_session(config, PROJECT)

check_other_record(config, PROJECT)
SESSION = chosen_session(config, PROJECT)
RESULTS = relative_to_project(SESSION["results_dir"], PROJECT)
TRACKS = {track["track"]: track for track in SESSION["tracks"]}
PAIRS = {pair["pair"]: pair for pair in SESSION["pairs"]}
SIMULATED = "simulated"
# More threads than this find nothing to do, and of a song longer than this each takes memory that its jobs do not have.
MOST_THREADS, LONG_S = 4, 1800


wildcard_constraints:
    track="|".join(map(re.escape, TRACKS)) or "(?!)",
    pair="|".join(map(re.escape, PAIRS)) or "(?!)",
    take="[^/]+",


def result(path):
    """A path below the session's results."""
    return f"{RESULTS}/{path}"


def chosen_file(name, track="{track}"):
    """The file called `name` of a track's chosen take."""
    return f"{RESULTS}/chosen/{track}/{name}"


def take_file(name, track="{track}", take="{take}"):
    """The file called `name` of a take."""
    return f"{RESULTS}/returns/{track}/{take}/{name}"


BAND = {key: SESSION["medium"][key] for key in ("band_low_hz", "band_high_hz")}


def settings_of(track, *keys, **more):
    """One dict for `params`: the track's name, the keys named, and more; compared as a whole, so that no swap of values hides."""
    return {"track": track, **{key: TRACKS[track][key] for key in keys}, **more}


def direct_takes(track):
    """{take: its file} of the returns filed under a track."""
    return {take["take"]: take for take in SESSION["takes"].get(track, [])}


def cut_takes(track):
    """{take: its row} of what the unsorted captures hold of a track; asks for them to be sorted first."""
    if not SESSION["captures"]:
        return {}
    return {row["take"]: row for row in cuts(checkpoints.sort_captures.get().output.table) if row["track"] == track}


def cuts(table):
    return [row for row in read_table(table) if row["file"]]


def captures_to_sort(wildcards):
    """The unsorted captures; a touched file is no new capture."""
    contents = {Path(path).name: content_of(path) for path in SESSION["captures"]}
    renew_unless_of(
        contents,
        result("captures/cuts.tsv"),
        lambda table: {row["capture"]: row["capture_sha256"] for row in read_table(table) if row["capture"]},
    )
    return [ancient(path) for path in SESSION["captures"]]


def renew_unless_of(content, path, content_in):
    """Have a file of results made anew that says itself that it was made of something else.

    Snakemake sees that by its own notes only, and where they are gone (results copied without them, a run killed before it took
    them) the old one would pass. content_in: what the file at `path` says, see `made_of`.
    """
    if workflow.is_main_process and Path(path).is_file() and made_of(path, content_in) != content:
        workflow.dag.forcefiles.add(path)


def takes_of(track):
    """The takes of a track in natural order: filed ones, then those cut from captures, else the simulated one."""
    takes = [*direct_takes(track), *(take for take in cut_takes(track) if take not in direct_takes(track))]
    takes.sort(key=natural_key)
    if not takes and SESSION["fill_missing"] == "simulate":
        return [SIMULATED]
    return takes


def natural_key(name):
    return [(0, int(part), "") if part.isdigit() else (1, 0, part.casefold()) for part in re.split(r"(\d+)", name) if part]


def is_simulated(wildcards):
    return wildcards.take == SIMULATED and SIMULATED not in direct_takes(wildcards.track)


def other_tracks(wildcards):
    """The session's tracks but this one."""
    return [track for track in TRACKS if track != wildcards.track]


def searched_for(wildcards):
    """The tracks whose stems are looked for in a return. A simulated one has been on no tape: nothing is left over on it."""
    return [] if is_simulated(wildcards) else other_tracks(wildcards)


def leg_beside(track):
    """The other leg of a stereo track, None for any other."""
    parent = TRACKS[track]["parent"]
    return next((leg for leg in (f"{parent}.L", f"{parent}.R") if leg != track), None) if parent != track else None


def partner_of(track, take):
    """The track of the other leg that was captured in one pass with this one; None for a capture of its own."""
    if SESSION["alignment"]["method"] != "follow" or take == SIMULATED:
        return None
    direct = direct_takes(track).get(take)
    if direct:
        return leg_beside(track) if direct["capture_channel"] else None
    other = cut_takes(track)[take]["together"]
    return other if other and take in cut_takes(other) else None


def legs_alone(wildcards):
    """{alone: files of this leg laid by itself, partner: those of the other that are needed}, nothing where there is none."""
    track, take = wildcards.track, wildcards.take
    partner = partner_of(track, take)
    if partner is None:
        return {"alone": [], "partner": []}
    names = ("alignment.json", "time-map.tsv", "aligned.wav", "aligned-clicks.wav")
    return {
        "alone": [take_file(f"alone/{name}", track, take) for name in names],
        "partner": [take_file(f"alone/{name}", partner, take) for name in names[:2]],
    }


def align_settings(wildcards, partner):
    return settings_of(
        wildcards.track,
        take=wildcards.take,
        simulated=is_simulated(wildcards),
        capture_channel=direct_takes(wildcards.track).get(wildcards.take, {}).get("capture_channel"),
        partner=partner,
        alignment=SESSION["alignment"],
        names={str(track["number"]): track["track"] for track in SESSION["tracks"]},
        **BAND,
    )


def capture_to_align(name):
    """The function of a take that names its capture, for the rule that makes the take's alignment of this name."""

    def capture(wildcards):
        if not is_simulated(wildcards):
            alignment = take_file(name, wildcards.track, wildcards.take)
            renew_unless_of(take_id(wildcards), alignment, capture_in)
        return capture_of(wildcards)

    return capture


def capture_of(wildcards):
    """The file that a take's audio is in."""
    return capture_of_take(wildcards.track, wildcards.take)


def capture_of_take(track, take):
    direct = direct_takes(track)
    if take in direct:
        # A touched file is no new take: what counts is its content, which goes through `params`.
        return ancient(direct[take]["path"])
    if take == SIMULATED:
        return f"{RESULTS}/simulated/{track}.wav"
    return ancient(f"{RESULTS}/captures/{cut_takes(track)[take]['file']}")


def content_of(path):
    return CONTENTS.of(path)


def take_id(wildcards):
    """What tells one take from another, whatever its date: the content of its file."""
    return take_content(wildcards.track, wildcards.take)


def take_content(track, take):
    direct = direct_takes(track)
    if take in direct:
        return content_of(direct[take]["path"])
    return SIMULATED if take == SIMULATED else cut_takes(track)[take]["sha256"]


def there(tracks=None):
    """The tracks that have a take, in the session's order."""
    return [track for track in (TRACKS if tracks is None else tracks) if takes_of(track)]


def all_cores(_=None):
    """Threads of a job that has no company. On a cluster one: cores are not counted where the jobs are handed out, and a node that
    works on one of them may have more than it was allotted."""
    return min(MOST_THREADS, workflow.resource_settings.cores or 1) if workflow.is_main_process else 1


def asked_in_series():
    """Files whose content is asked for one after the other; a job's own start asks for its own alone."""
    if not workflow.is_main_process:
        return []
    stems = [] if SESSION["stems_from"] == "demo_song" else [track["stem"] for track in TRACKS.values()]
    return [stems, [take["path"] for track in TRACKS for take in SESSION["takes"].get(track, [])], SESSION["captures"]]


# A job's own start reads anew what it asks for.
REMEMBERED = Remembered(file_sha256, result("logs/contents.json")) if workflow.is_main_process else None
CONTENTS = Contents(REMEMBERED or file_sha256, asked_in_series(), all_cores())


def cores_if_alone(wildcards):
    """Threads of a job of one take: all where it is the only new one, as after a re-capture; one where several are new, or none,
    as after another setting."""
    cores = all_cores()
    # Asked last: it looks at every capture, which a job's own start on a node need not.
    return cores if cores > 1 and SONG_S <= LONG_S and takes_to_lay() == 1 else 1


@cache
def takes_to_lay():
    """How many takes the results do not hold yet, as far as the folders tell. It decides how fast a run is, never what comes."""
    count = 0
    for track in TRACKS:
        laid = {path.parent.name: path for path in Path(RESULTS, "returns", track).glob("*/alignment.json")}
        filed = {take: content_of(one["path"]) for take, one in direct_takes(track).items()}
        old = sum(take in laid and made_of(laid[take], capture_in) == content for take, content in filed.items())
        count += len(filed) - old if filed else not laid
    return count


def capture_in(alignment):
    """The content of the capture that an alignment.json was made of."""
    return read_json(alignment)["capture_sha256"]


def of_chosen(name, tracks=None):
    """The chosen takes' files called `name`, for the tracks that have one."""
    return [chosen_file(name, track) for track in there(tracks)]


def wanted_take(track):
    """The take that a track's chosen files are from, as far as known before it is chosen; None while it waits."""
    takes = takes_of(track)
    want = TRACKS[track]["take"]
    if not takes:
        return None
    if len(takes) == 1 or want == "latest":
        return takes[-1]
    return want


def averages(track):
    """Whether a track asks for the average of several takes."""
    return TRACKS[track]["take"] == "average" and len(takes_of(track)) > 1


def averaged_files(name):
    """The files called `name` that stand for averages, of the tracks that ask for one."""
    return [chosen_file(name, track) for track in TRACKS if averages(track)]


def track_rows(*keys):
    """A plain row a track for the rules that look at all of them."""
    return [{"track": track, "take": wanted_take(track), **{key: TRACKS[track][key] for key in keys}} for track in TRACKS]


BEFORE = {
    path: content_of(path) for pattern in ("returns/*/*/alignment.json", "report.html") for path in Path(RESULTS).glob(pattern)
}
VERIFIED = result("verification.txt")


def say_what_came(finished):
    """A line in the terminal for each take that this run aligned anew, and where the report lies; what `verify` found."""
    for line in display_lines(RESULTS, BEFORE, finished):
        print(line, file=sys.stderr)
    if finished and "verify" in sys.argv and Path(VERIFIED).is_file():
        print(Path(VERIFIED).read_text(encoding="utf-8"), end="", file=sys.stderr)


def track_list(*keys):
    """A plain row a track, without its takes."""
    return [{"track": track, **{key: TRACKS[track][key] for key in keys}} for track in TRACKS]


def stem_source(wildcards):
    """A track's stem; a touched file is no new stem."""
    if SESSION["stems_from"] == "demo_song":
        return f"{RESULTS}/song/{Path(TRACKS[wildcards.track]['stem']).name}"
    renew_unless_of(stem_id(wildcards), result(f"stems/{wildcards.track}.json"), lambda path: read_json(path)["source_sha256"])
    return ancient(TRACKS[wildcards.track]["stem"])


def stem_id(wildcards):
    """What tells one stem from another, whatever its date."""
    if SESSION["stems_from"] == "demo_song":
        return "demo_song"
    return content_of(TRACKS[wildcards.track]["stem"])


def of_takes(wildcards, name):
    """The files called `name` of all takes of a track, in natural order."""
    return [take_file(name, wildcards.track, take) for take in takes_of(wildcards.track)]


def taken_names():
    """{track: the names of its filed takes}, which a cut of an unsorted capture must not take."""
    return {track: list(direct_takes(track)) for track in TRACKS if direct_takes(track)}


def role_bands(track):
    return SESSION["roles"].get(TRACKS[track]["role"], {}).get("bands", [])


SONG_S = SESSION["song_samples"] / SESSION["sample_rate_hz"]


def pair_files(wildcards):
    """The files that a pair is checked from; what a waiting track lacks is left out."""
    files = {}
    for place in ("first", "second"):
        track = PAIRS[wildcards.pair][place]
        files[f"{place}_stem"] = f"{RESULTS}/stems/{track}.wav"
        if takes_of(track):
            files[f"{place}_aligned"] = chosen_file("aligned.wav", track)
            files[f"{place}_clicks"] = chosen_file("aligned-clicks.wav", track)
            files[f"{place}_alignment"] = chosen_file("alignment.json", track)
            files[f"{place}_bands"] = chosen_file("bands.tsv", track)
            files[f"{place}_map"] = chosen_file("time-map.tsv", track)
    return files


def pair_settings(pair):
    limits = {key: SESSION["thresholds"][key] for key in ("sum_loss_ok_db", "sum_loss_poor_db")}
    ends = {place: {"track": PAIRS[pair][place], "take": wanted_take(PAIRS[pair][place])} for place in ("first", "second")}
    clicks = {f"{place}_click_stem_s": click_stem_s(TRACKS[PAIRS[pair][place]]["send_speed"]) for place in ("first", "second")}
    return {"pair": pair, **{key: PAIRS[pair][key] for key in ("kind", "declared")}, **ends, **clicks, **BAND, **limits}


STEREO = {
    track["parent"]: {"left": f"{track['parent']}.L", "right": f"{track['parent']}.R"}
    for track in SESSION["tracks"]
    if track["track"] != track["parent"]
}


def ready_files(wildcards):
    """The chosen take's files, or nothing for a track that waits."""
    if not takes_of(wildcards.track):
        return {}
    settings = ready_settings(wildcards.track)
    names = {"aligned": "aligned.wav", "clicks": "aligned-clicks.wav", "alignment": "alignment.json", "bands": "bands.tsv"}
    if settings["mute"] or settings["restore"] or settings["undo_riding"]:
        names["condition"] = "condition.json"
    return {name: chosen_file(file, wildcards.track) for name, file in names.items()}


def ready_settings(track):
    """What is done to a track's mix-ready file: mute, undo_riding (bool), restore ("minimum", "linear" or None), limits in dB."""
    own = {key: TRACKS[track][key] or SESSION["mix"][key] for key in ("mute", "restore")}
    return {
        "mute": own["mute"] == "yes",
        "restore": None if own["restore"] == "no" else own["restore"],
        "boost_limit_db": SESSION["mix"]["boost_limit_db"],
        "lost_db": SESSION["thresholds"]["signal_over_hiss_marginal_db"],
        "undo_riding": SESSION["mix"]["level_riding"] == "undo",
        "riding_limit_db": SESSION["mix"]["level_riding_limit_db"],
        "band_high_hz": BAND["band_high_hz"],
    }


def alters_hiss(track):
    """Whether the mix-ready file has other hiss than the return: equalised, or a level ride taken back."""
    settings = ready_settings(track)
    return bool(settings["restore"] or settings["undo_riding"])


def all_takes():
    return [{"track": track, "take": take} for track in TRACKS for take in takes_of(track)]


def evening_facts():
    """What takes.tsv says of every take, and its track's number in the run sheet."""
    from bounceproof.session import take_facts

    facts = []
    for one in all_takes():
        track = TRACKS[one["track"]]
        told = take_facts(SESSION["take_rows"], one["track"], one["take"], parent=track["parent"])
        facts.append({**one, "number": track["number"], **{key: told[key] for key in EVENING}})
    return facts


EVENING = ("side", "counter", "battery_v", "capture_gain_db")


def of_all_takes(name):
    """The files called `name` of every take, chosen or not."""
    return [take_file(name, **one) for one in all_takes()]


def captures_table():
    return [result("captures/cuts.tsv")] if SESSION["captures"] else []


def click_stem_s(send_speed=1):
    """Where the two clicks lie in the stem's time (equal in all transfers of one send_speed)."""
    from bounceproof.transfer_layout import click_stem_times

    return list(click_stem_times(SONG_S, SESSION["transfer"], send_speed=send_speed))


def clicks_by_track():
    """{track: where the clicks of its transfer lie in its stem's time}."""
    return {track: click_stem_s(TRACKS[track]["send_speed"]) for track in TRACKS}


PLACES = ("folder", "results_dir", "captures", "calibrations", "wires", "trials", "takes", "take_rows")


def without_paths():
    """The session as the report prints it: no path of this machine in it, so that it is the same anywhere."""
    kept = {key: value for key, value in SESSION.items() if key not in PLACES}
    kept["tracks"] = [{key: value for key, value in track.items() if key != "stem"} for track in SESSION["tracks"]]
    return kept


def everything_read():
    """All that the results rest on: session files, configuration, stems and captures."""
    folder = Path(SESSION["folder"])
    tables = [folder / name for name in ("session.yaml", "tracks.tsv", "pairs.tsv", "takes.tsv")]
    configured = [PROJECT / "config" / name for name in ("media.yaml", "roles.yaml")]
    stems = [] if SESSION["stems_from"] == "demo_song" else [track["stem"] for track in SESSION["tracks"]]
    captured = [take["path"] for takes in SESSION["takes"].values() for take in takes]
    there = [path for path in [*tables, *configured] if path.is_file()]
    return list(dict.fromkeys(map(str, [*there, *stems, *captured, *SESSION["captures"]])))


def running_fast_percent():
    """How fast a side may run: as the session knows it, else as fast as the medium's recorders do."""
    known = SESSION["transfer"]["running_fast_percent"]
    return SESSION["medium"]["speed_error_percent"] if known is None else known


def free_number():
    """What the calibration's clicks spell: the highest number that no track has."""
    from bounceproof.transfer_layout import LAST_NUMBER

    return max(set(range(1, LAST_NUMBER + 1)) - {track["number"] for track in TRACKS.values()})


def calibration_facts():
    """The calibration's facts, once its transfer has been made: then it may be on a side of tape among the tracks."""
    path = result("transfers/calibration.json")
    return [path] if Path(path).is_file() else []


def calibration_cuts():
    """The rows of what the unsorted captures hold of the calibration; asks for them to be sorted first."""
    return list(cut_takes("calibration").values()) if calibration_facts() else []


def newest_calibration():
    """(file, what tells it from another): the newest capture of the calibration by its name, from a folder of its own or else cut
    from a side; None where there is none.
    """
    if SESSION["calibrations"]:
        return SESSION["calibrations"][-1], content_of(SESSION["calibrations"][-1])
    rows = calibration_cuts()
    return (f"{RESULTS}/captures/{rows[-1]['file']}", rows[-1]["sha256"]) if rows else None


def calibration_capture(wildcards):
    """The newest capture of the calibration, else the simulated recorder's where the session asks for it."""
    newest = newest_calibration()
    if newest:
        return ancient(newest[0])
    if SESSION["fill_missing"] == "simulate":
        return result("simulated/calibration.wav")
    sys.exit(
        f"{SESSION['folder']}/returns/calibration/: no capture of the calibration is there; play transfers/calibration.wav to the"
        " recorder (the target `calibration` makes it), capture it and put it there, or set fill_missing to simulate."
    )


def recorder_values(wildcards):
    """recorder.json, where there is a calibration to make it from; else nothing, and the medium's typical figures have to do."""
    return [result("recorder.json")] if SESSION["fill_missing"] == "simulate" or newest_calibration() else []


def measured_recorder(wildcards):
    """recorder.json of a real recorder's calibration: what stands in for tracks without a return is then as it is, unless the
    session says otherwise.
    """
    return [result("recorder.json")] if not SESSION["recorder_given"] and newest_calibration() else []


def forecast_came(wildcards):
    """What came back, to be set beside the forecast; nothing before the first capture."""
    came = any(SESSION["takes"].values()) or SESSION["captures"]
    return [result("tracks.tsv"), result("noise/stack.json")] if came else []


def forecast_values():
    """The forecast, once one was asked for: from then on the report sets it beside what came."""
    path = result("planning/forecast.json")
    return [path] if Path(path).is_file() else []


def wire_values():
    """What the interface alone does, once a wire's capture is there: it stands beside every other hiss."""
    return [result("wire.json")] if SESSION["wires"] else []


def wire_capture(wildcards):
    """The newest capture, by its name, of the calibration through a wire."""
    if SESSION["wires"]:
        return ancient(SESSION["wires"][-1])
    sys.exit(
        f"{SESSION['folder']}/returns/wire/: no capture is there; play transfers/calibration.wav (the target `calibration` makes"
        " it) through one lead from output to input, capture it and put it there."
    )


def calibration_id():
    newest = newest_calibration()
    return newest[1] if newest else SIMULATED


def new_session_settings():
    """What new_session is asked for, as paths seen from where the call came from."""
    return {key: from_caller(config.get(key), PROJECT) for key in ("stems", "session", "mix")}
