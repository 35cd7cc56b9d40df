"""What a person has to mend, told in a sentence. Apart from what reads audio, so that a job that reads none need not load it."""


class AudioProblem(Exception):
    """A file that cannot be used as audio; its text is one sentence for the person who handed it in."""
