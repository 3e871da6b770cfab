"""Where one stands: JOB/RUN/POST, as it is typed and as it is kept."""

from __future__ import annotations

from dataclasses import dataclass

from shimfit.errors import LONGEST_NAME, UsageError, sign_fault


@dataclass(frozen=True, slots=True)
class Place:
    """One post of one run of one job."""

    job: str
    run: str
    post: str

    def __str__(self) -> str:
        return f"{self.job}/{self.run}/{self.post}"

    @property
    def run_path(self) -> str:
        """JOB/RUN."""
        return f"{self.job}/{self.run}"


def parse_place(text: str) -> Place:
    """JOB/RUN/POST; raises UsageError naming the form."""
    job, run, post = _split(text, 3, "JOB/RUN/POST")
    return Place(job, run, post)


def parse_run(text: str) -> tuple[str, str]:
    """JOB/RUN; raises UsageError naming the form."""
    job, run = _split(text, 2, "JOB/RUN")
    return job, run


def check_name(text: str, what: str) -> str:
    """A name of a job, run or post: short, one line, no slash, no surrounding blanks; raises UsageError."""
    name = text.strip()
    fault = sign_fault(name, LONGEST_NAME)
    if fault is not None:
        raise UsageError(f"{name[:LONGEST_NAME]!r} can't be the name of a {what}: it {fault}")
    if not name or "/" in name or "\n" in name or "\t" in name:
        raise UsageError(
            f"{text!r} can't be the name of a {what}: a name is not empty and has no slash in it"
        )
    return name


def _split(text: str, parts: int, form: str) -> list[str]:
    found = [part.strip() for part in text.split("/")]
    if len(found) != parts or not all(found):
        raise UsageError(f"{text!r} isn't a place: type {form}, like " + _EXAMPLES[parts])
    return found


_EXAMPLES = {2: "lakeside/boardwalk", 3: "lakeside/boardwalk/7"}
