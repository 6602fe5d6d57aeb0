"""Plain tables for a terminal of 80 columns."""

from collections.abc import Sequence


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, right: frozenset[int] = frozenset()) -> list[str]:
    """Lines of a table, columns two spaces apart; the columns in `right` are aligned there."""
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]

    def line(cells: Sequence[str]) -> str:
        padded = [
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ]
        return "  ".join(padded).rstrip()

    return [line(head), *(line(row) for row in rows)]
