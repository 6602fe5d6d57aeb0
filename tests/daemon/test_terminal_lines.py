"""Long lines on a terminal."""

from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.terminal_lines import fitted


def test_a_long_line_goes_on_beneath_its_words() -> None:
    line = "02:14:05.002      64  transmit inhibited: changing over to low-loop on 40m/1"
    assert list(fitted([line, "short"], 22, 60)) == [
        "02:14:05.002      64  transmit inhibited: changing over to",
        "                      low-loop on 40m/1",
        "short",
    ]


def test_where_there_is_no_terminal_or_a_narrow_one_lines_stay_whole() -> None:
    assert list(fitted(["x " * 200], 22)) == ["x " * 200]
    assert list(fitted(["x " * 200], 22, 41)) == ["x " * 200]


@given(st.lists(st.text(st.characters(codec="ascii", exclude_categories=["C"]), min_size=1, max_size=70)))
def test_no_word_is_lost_and_no_line_is_too_wide(words: list[str]) -> None:
    line = "12345678  " + " ".join(words)
    made = list(fitted([line], 10, 60))
    assert "".join(line.split()) == "".join("".join(made).split())
    assert all(len(part) <= 60 for part in made)
