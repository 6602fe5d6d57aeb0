"""Text for a picture: how wide it will be, where it wraps, and made safe for XML."""

import re
import unicodedata
from xml.sax.saxutils import escape

# What XML 1.0 does not allow (section 2.2, Char), with the controls that it only discourages, and lone surrogates.
_NOT_XML = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
# Marks that turn the direction of what follows: in a name they would only mislead.
_DIRECTION = re.compile("[\u200e\u200f\u202a-\u202e\u2066-\u2069]")

_NARROW, _WIDE = frozenset(" .,:;'|!/()[]iljtfrI"), frozenset("mwMW@%")
_EM = {"narrow": 0.4, "usual": 0.62, "capital": 0.74, "wide": 1.0}
ELLIPSIS = "…"


def plain(text: str) -> str:
    """The text with what no picture should hold shown as a replacement character."""
    return _DIRECTION.sub("", _NOT_XML.sub("\ufffd", text))


def safe(text: str) -> str:
    """The text as it may stand in an element or a quoted attribute."""
    return escape(plain(text), {'"': "&quot;", "'": "&#39;"})


def width(text: str, size: float) -> float:
    """At most how wide the text will be at this font size, in common sans-serif faces: each letter by its kind."""
    return size * sum(_em(letter) for letter in text)


def _em(letter: str) -> float:
    if unicodedata.combining(letter):
        return 0.0
    if unicodedata.east_asian_width(letter) in "WF" or letter in _WIDE:
        return _EM["wide"]
    if letter in _NARROW:
        return _EM["narrow"]
    return _EM["capital"] if letter.isupper() else _EM["usual"]


def shortened(text: str, size: float, room: float) -> str:
    """The text, or as much of its beginning as fits with an ellipsis behind it."""
    text = plain(text)
    if width(text, size) <= room:
        return text
    while text and width(text + ELLIPSIS, size) > room:
        text = text[:-1]
    return text.rstrip() + ELLIPSIS


def wrapped(text: str, size: float, room: float) -> list[str]:
    """The text in lines that fit, broken between words, and within a word that is wider than a line."""
    lines, line = [], ""
    for word in plain(text).split():
        joined = f"{line} {word}" if line else word
        if width(joined, size) <= room:
            line = joined
            continue
        if line:
            lines.append(line)
        while width(word, size) > room and len(word) > 1:
            cut = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or width(word[:n], size) <= room)
            lines.append(word[:cut])
            word = word[cut:]
        line = word
    return [*lines, line] if line else lines
