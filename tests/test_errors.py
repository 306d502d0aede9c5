"""The texts of errors: one line, nothing in them that steers a terminal."""

from audiodiag.errors import LONGEST_GOT, ClipError


def test_strange_names_and_contents_stay_in_one_short_line() -> None:
    said = str(ClipError("a\nb\x1b[31m", got="x" * 5000 + "\x00", allowed="c\r", todo="d\x9be"))
    assert said == f"a?b?[31m (got {'x' * LONGEST_GOT}...; allowed: c?). What to do: d?e."
