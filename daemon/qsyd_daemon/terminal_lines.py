"""Long lines on a terminal: wrapped beneath where their words begin. Into a pipe they stay whole. Standard library only."""

import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator


def fitted(lines: Iterable[str], indent: int, columns: int | None = None) -> Iterator[str]:
    """The lines, each no wider than the terminal; what is left of one stands `indent` columns in.

    `columns` is for trying it out; by itself a terminal's width counts, and anything else has none.
    """
    if columns is None:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    for line in lines:
        if len(line) <= columns or columns < indent + 20:
            yield line
            continue
        head, words = line[:indent], line[indent:]
        broken = textwrap.wrap(words, columns - indent, break_on_hyphens=False)
        yield head + (broken[0] if broken else "")
        yield from (" " * indent + part for part in broken[1:])
