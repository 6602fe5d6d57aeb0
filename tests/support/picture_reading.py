"""Reads a picture as a viewer would: elements with their places, and everything that must hold of any picture."""

import re
from collections.abc import Iterator
from xml.etree import ElementTree

SVG = "{http://www.w3.org/2000/svg}"
SMALLEST_LETTERS = 11
"""Units; a phone shows 360 of them on its 360 pixels. Common practice, no source."""
NARROW_EM = 0.45
"""A letter takes about half its size in sans-serif faces; from memory, on the low side."""


def read(picture: str) -> ElementTree.Element:
    """Parse it (which fails where it is not well-formed), and check what holds of every picture."""
    root = ElementTree.fromstring(picture.encode())
    assert root.tag == SVG + "svg"
    assert root.get("role") == "img"
    assert [child.tag for child in root][:2] == [SVG + "title", SVG + "desc"]
    assert all((child.text or "").strip() for child in root[:2])
    for element in root.iter():
        assert element.tag.removeprefix(SVG) in {
            *("svg", "title", "desc", "defs", "pattern", "rect", "line", "polyline", "path", "circle", "g", "text")
        }
        for name, value in element.attrib.items():
            assert not name.startswith("on"), name
            assert "href" not in name, name
            assert "url(" not in value or value == "url(#hatch)", value
        if element.tag == SVG + "text":
            assert float(element.attrib["font-size"]) >= SMALLEST_LETTERS
    wide, high = (float(part) for part in root.attrib["viewBox"].split()[2:])
    assert wide == 360
    for x, y in _places(root):
        assert 0 <= x <= wide, (x, y)
        assert 0 <= y <= high, (x, y)
    return root


def texts(root: ElementTree.Element) -> list[str]:
    """The lines of text, in their order."""
    return [element.text or "" for element in root.iter(SVG + "text")]


def all_text(root: ElementTree.Element) -> str:
    """All that can be read, lines joined by blanks."""
    return " ".join(texts(root))


def notes(root: ElementTree.Element) -> list[str]:
    """What the markers say to who points at them."""
    return [element.findtext(SVG + "title") or "" for element in root.iter(SVG + "g")]


def centre(root: ElementTree.Element, note_begins: str) -> tuple[float, float]:
    """Where the first marker with such a note stands."""
    marker = next(each for each in root.iter(SVG + "g") if (each.findtext(SVG + "title") or "").startswith(note_begins))
    xs, ys = zip(*_places(marker), strict=True)
    return sum(xs) / len(xs), sum(ys) / len(ys)


def curves(root: ElementTree.Element, kind: str) -> list[list[tuple[float, float]]]:
    """The points of the curves of a kind."""
    return [_pairs(each.attrib["points"]) for each in root.iter(SVG + "polyline") if each.get("class") == kind]


def _pairs(points: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in points.split())]


def _places(root: ElementTree.Element) -> Iterator[tuple[float, float]]:
    """The corners of everything that is drawn; text as far as it reaches at the least."""
    for element in root.iter():
        get = {name: float(value) for name, value in element.attrib.items() if re.fullmatch(r"-?[0-9.]+", value)}
        match element.tag.removeprefix(SVG):
            case "line":
                yield from ((get["x1"], get["y1"]), (get["x2"], get["y2"]))
            case "rect" if "x" in get:
                yield from ((get["x"], get["y"]), (get["x"] + get["width"], get["y"] + get["height"]))
            case "circle":
                yield from ((get["cx"] - get["r"], get["cy"] - get["r"]), (get["cx"] + get["r"], get["cy"] + get["r"]))
            case "polyline":
                yield from _pairs(element.attrib["points"])
            case "path":
                x, y = re.match(r"M(\S+) ([0-9.-]+)", element.attrib["d"]).groups()  # type: ignore[union-attr]
                right, down = (
                    (8, 8) if "l8 8" in element.attrib["d"] else (0, 10)
                )  # a cross; the others begin at their top
                yield from ((float(x), float(y)), (float(x) + right, float(y) + down))
            case "text":
                wide = NARROW_EM * get["font-size"] * len(element.text or "")
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[element.attrib["text-anchor"]]
                begin = get["x"] - shift * wide
                yield from ((begin, get["y"] - get["font-size"]), (begin + wide, get["y"]))
