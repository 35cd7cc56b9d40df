"""Pages for people: the mix-readiness report and the run sheet."""

from importlib import resources


def templates():
    """The jinja2 environment of the pages: autoescape on, an undefined name is an error."""
    import jinja2

    from bounceproof.report import words

    loader = jinja2.FunctionLoader(lambda name: (resources.files(__name__) / "templates" / name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(
        loader=loader,
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(words.FILTERS)
    return environment
