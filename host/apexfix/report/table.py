"""Tables for the terminal."""

from collections.abc import Collection, Sequence


def aligned(rows: Sequence[Sequence[str]], to_the_left: Collection[str] = ()) -> list[str]:
    """Return rows as lines with their columns below each other, to the right but for those of which the first cell is named.

    Examples
    --------
    >>> aligned([("a", "word"), ("10", "b")], {"word"})
    [' a  word', '10  b']
    """
    columns = [_column(cells, cells[0] in to_the_left) for cells in zip(*rows, strict=True)]
    return ["  ".join(row).rstrip() for row in zip(*columns, strict=True)]


def _column(cells: Sequence[str], to_the_left: bool) -> list[str]:
    width = max(len(cell) for cell in cells)
    return [cell.ljust(width) if to_the_left else cell.rjust(width) for cell in cells]
