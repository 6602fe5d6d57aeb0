"""The table of the security standard names tests: each exists, and each line has a test or a reason."""

import re
from pathlib import Path

import qsyd_daemon.api

TABLE = Path(qsyd_daemon.api.__file__).with_name("ASVS.md")
HERE = Path(__file__).parent
NUMBER = r"\d{1,2}\.\d{1,2}\.\d{1,2}"


def rows() -> list[tuple[str, str, str]]:
    found = []
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        if re.match(rf"\| {NUMBER}", line):
            number, what, shown = (cell.strip() for cell in line.strip("|").split(" | "))
            found.append((number, what, shown))
    return found


def test_every_test_that_the_table_names_exists() -> None:
    named = [pair for _, _, shown in rows() for pair in re.findall(r"`(test_\w+\.py)::(test_\w+)`", shown)]
    assert len(named) > 60
    texts = {file: (HERE / file).read_text(encoding="utf-8") for file in {file for file, _ in named}}
    for file, name in named:
        assert re.search(rf"^(async )?def {name}\(", texts[file], re.MULTILINE), f"{file}::{name}"


def test_every_line_has_a_test_or_a_reason_in_words_and_stands_in_its_place() -> None:
    numbers = []
    for number, what, shown in rows():
        assert re.fullmatch(rf"{NUMBER}((, | to ){NUMBER})*", number), number
        assert what
        assert "::" in shown or len(shown.split()) >= 3 or shown in {"there are none", "there is none"}, number
        numbers.append([tuple(map(int, each.split("."))) for each in re.findall(NUMBER, number)])
    flat = [each for row in numbers for each in row]
    assert flat == sorted(set(flat))
    assert {chapter for chapter, _, _ in flat} >= {2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14}
