"""What mixes, figures, report, record and bundles are made from."""

from bounceproof.figures import FIGURES, OF_MIXES


def mixes():
    """{name for jobs: file} of the four rough mixes."""
    names = ("returned", "returned_clicks", "source", "narrow_band")
    return {name: result(f"mix/{name.replace('_', '-')}.wav") for name in names}


def reference_hiss_below_full_db():
    """How far under full level the narrow-band reference hisses, None where it does not."""
    return SESSION["medium"]["hiss_below_full_db"] if SESSION["mix"]["reference_hiss"] == "medium" else None


def figure_files(*kinds, folder="figures"):
    """{name of a figure: its files of these kinds}."""
    return {name: [f"{RESULTS}/{folder}/{file}.{kind}" for kind in kinds] for name, file in FIGURES.items()}


def described_figures(*, of_mixes):
    """The files of the figures of the mixes, or of all others; the pictures with a caption for Snakemake's own report."""
    files = {name: files for name, files in figure_files("png", "svg").items() if (name in OF_MIXES) == of_mixes}
    for name, (picture, drawing) in files.items():
        caption = f"../report/figures/{FIGURES[name]}.rst"
        files[name] = [report(picture, caption=caption, category="Figures", labels={"what": name.replace("_", " ")}), drawing]
    return files


def drawn_from(*, of_mixes=True):
    """The finished tables that the figures are drawn from, with those of the mixes or without."""
    return {
        **({"reference": result("mix/reference.json")} if of_mixes else {}),
        **{key: of_chosen(name) for key, name in DRAWN_OF_TAKES.items()},
        "stack": result("noise/stack.json"),
        "stack_table": result("noise/stack.tsv"),
        "pair_summaries": [f"{RESULTS}/pairs/{pair}.json" for pair in PAIRS],
        "pair_tables": [f"{RESULTS}/pairs/{pair}.tsv" for pair in PAIRS],
    }


def drawn_files():
    """All of these tables, one after another."""
    return [path for files in drawn_from().values() for path in ([files] if isinstance(files, str) else files)]


DRAWN_OF_TAKES = {
    "alignments": "alignment.json",
    "conditions": "condition.json",
    "bands": "bands.tsv",
    "time_maps": "time-map.tsv",
}


def drawing_settings():
    return {
        "figures": SESSION["figures"],
        "name": SESSION["name"],
        "song_s": SONG_S,
        "thresholds": SESSION["thresholds"],
        "simulated": simulated_tracks()[0],
        "tracks": [{**row, "click_stem_s": click_stem_s(TRACKS[row["track"]]["send_speed"])} for row in track_rows()],
        **BAND,
    }


# What the numbers of a record rest on: the rules whose code it keeps.
RECORDED_RULES = (
    "synthesise_stem",
    "prepare_stem",
    "make_transfer",
    "simulate_return",
    "sort_captures",
    "align_return",
    "measure_return",
    "choose_take",
    "check_pair",
    "stack_noise",
    "ready_track",
    "build_mix",
    "measure_mixes",
)


def recorded():
    """What a record is written from: everything read, the results it hashes, and the tables its numbers stand in."""
    drawn = drawn_from()
    ready = [result(f"mix/{track}.wav") for track in (*TRACKS, *STEREO)]
    return {
        "files": [ancient(path) for path in everything_read()],
        "chosen": of_chosen("chosen.json"),
        "made": [*drawn_files(), result("mix/timing.tsv"), *mixes().values(), *ready],
        **{key: drawn[key] for key in ("alignments", "conditions", "pair_summaries", "stack", "reference")},
    }


def read_contents():
    return [content_of(path) for path in everything_read() if Path(path).is_file()]


def made_by():
    return {rule: code_version(f"{rule}.py") for rule in RECORDED_RULES}


def published():
    """{name in a bundle: file}: report, tables, figures, record."""
    pages = ("report.html", "tracks.tsv", "pairs.tsv", "evening.tsv", "mix/timing.tsv", "record.json", "method.txt")
    figures = [*figure_files("png", "svg").values(), *figure_files("svg", "pdf", folder="figures/print").values()]
    sheets = [result(f"transfers/run-sheet.{kind}") for kind in ("html", "tsv")]
    files = [*map(result, pages), *(path for paths in figures for path in paths), *drawn_files(), *sheets]
    return {path.removeprefix(f"{RESULTS}/"): path for path in files}


def track_columns():
    from bounceproof.session.settings import read_schema

    return list(read_schema(PROJECT / "workflow" / "schemas", "tracks")["properties"])


def film_files(name):
    """The files of a film: one with sound where there is an encoder, else pictures, numbered frames and sound apart."""
    from bounceproof.filming import encoder

    if encoder():
        return {"film": result(f"film/{name}.mp4")}
    pieces = {"film": result(f"film/{name}.gif"), "sound": result(f"film/{name}.wav")}
    return {**pieces, "frames": directory(result(f"film/{name}"))}


def filmed_pairs():
    """The pair named with `--config pair=NAME`, else the first declared one of one source whose tracks both have a return."""
    if config.get("pair"):
        return [str(config["pair"])]
    able = [pair for pair, one in PAIRS.items() if all(takes_of(one[place]) for place in ("first", "second"))]
    return sorted(able, key=lambda pair: (PAIRS[pair]["kind"] == "doubled", not PAIRS[pair]["declared"]))[:1]


def filmed_pair_files(wildcards):
    files = pair_files(wildcards)
    names = [f"{place}_{what}" for place in ("first", "second") for what in ("aligned", "clicks", "alignment")]
    return {"pair": result(f"pairs/{wildcards.pair}.json"), **{name: files[name] for name in names}}


def simulated_tracks():
    """[how many of the tracks with a take have a simulated one, how many have one]."""
    takes = [wanted_take(track) for track in there()]
    return [takes.count(SIMULATED), len(takes)]
