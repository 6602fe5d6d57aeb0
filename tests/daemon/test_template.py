"""Templates of device commands and notices: what fills them, and what cannot get in."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qsyd_daemon.outputs.template import Template, TemplateError


@pytest.mark.parametrize(
    ("text", "values", "expected"),
    [
        ("PORT {port}\n", {"port": 2}, "PORT 2\n"),
        ("PORT {port}", {"port": "B"}, "PORT B"),
        ("T{tune:04d}L{load:4}", {"tune": 31, "load": 7}, "T0031L   7"),
        ("{port:>3}|{port:*<3}", {"port": "B"}, "  B|B**"),
        ("{tune:02x}", {"tune": 255}, "ff"),
        ("{{{port}}}", {"port": 1}, "{1}"),
        ("{matching}", {"matching": (1, 20, 3)}, "1 20 3"),
        ("{reasons}", {"reasons": ("no antenna", "rig lost")}, "no antenna; rig lost"),
        ("{preset}/{none}", {"preset": None}, "-/-"),
        ("{split}", {"split": True}, "true"),
        ("no places", {}, "no places"),
    ],
)
def test_rendering(text: str, values: dict[str, object], expected: str) -> None:
    assert Template.parse(text).render(values) == expected


def test_a_value_cannot_start_a_line_of_its_own() -> None:
    """A reason is free text from the station file; it must not become a second command."""
    assert Template.parse("HOLD {reasons}\n").render({"reasons": ("a\nHEAT 1\r\x00",)}) == "HOLD a HEAT 1  \n"


@pytest.mark.parametrize(
    ("text", "position"),
    [
        ("A {port.__class__}", 2),
        ("A {port[0]}", 2),
        ("{port!r}", 0),
        ("{}", 0),
        ("{0}", 0),
        ("{ port }", 0),
        ("{port:{width}}", 0),
        ("{port", 0),
        ("port}", 4),
        ("{port:65}", 0),
        ("{port:099999999d}", 0),
        ("{port:,}", 0),
        ("{port:.3f}", 0),
    ],
)
def test_nothing_but_plain_names_and_short_formats(text: str, position: int) -> None:
    with pytest.raises(TemplateError) as caught:
        Template.parse(text)

    assert caught.value.position == position


def test_a_value_that_does_not_fit_its_format_is_an_error_in_words() -> None:
    with pytest.raises(TemplateError, match=r"`B` does not fit the format `02d` of \{port\}"):
        Template.parse("{port:02d}").render({"port": "B"})


def test_fields_are_named_once_in_order() -> None:
    assert Template.parse("{b}{a}{b}").fields == ("b", "a")


@given(st.text(alphabet="{}ab:0<>d!.[", max_size=20))
def test_any_text_is_a_template_or_an_error(text: str) -> None:
    try:
        template = Template.parse(text)
    except TemplateError:
        return
    with contextlib.suppress(TemplateError):
        assert len(template.render({"a": 1, "b": 2})) <= len(text) * 64


@given(st.text(max_size=40))
def test_text_with_doubled_braces_renders_as_itself(text: str) -> None:
    assert Template.parse(text.replace("{", "{{").replace("}", "}}")).render({}) == text
