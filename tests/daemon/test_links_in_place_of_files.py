"""Symbolic links where a command or the daemon takes a file: nothing is written through them unasked, nothing is told.

`presets import` and `export` follow one as any command does: they are the user's own, at the user's own shell, and no
route of the API takes a name of a file (`test_api_attacks.py`).
"""

from pathlib import Path

import pytest
from running_daemon import qsyd

PRESETS = "antenna,segment,tune,load\nmast-beam,20m/1,10,20\n"
ERROR_LINES_MAX = 6


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A state directory with a token and a preset."""
    directory = tmp_path / "state"
    assert qsyd("token", "new", "operate", "--name", "me", "--state", str(directory)).returncode == 0
    table = tmp_path / "presets.csv"
    table.write_text(PRESETS)
    assert qsyd("presets", "import", str(table), "--state", str(directory)).returncode == 0
    return directory


def digest_in(state: Path) -> str:
    return (state / "tokens.json").read_text().partition('"sha256": "')[2][:64]


def test_an_import_through_a_link_tells_nothing_of_what_is_no_table(state: Path, tmp_path: Path) -> None:
    link = tmp_path / "table.csv"
    link.symlink_to(state / "tokens.json")
    done = qsyd("presets", "import", str(link), "--state", str(state))
    assert done.returncode == 1
    assert len(digest_in(state)) == 64
    assert digest_in(state)[:8] not in done.stdout + done.stderr
    assert len(done.stderr.splitlines()) <= ERROR_LINES_MAX
    listed = qsyd("presets", "list", "--state", str(state)).stdout
    assert listed.count("20m/1") == 1


@pytest.mark.parametrize("verb", ["import", "export"])
@pytest.mark.parametrize(("target", "told"), [("itself", "symbolic links"), (".", "Is a directory")])
def test_a_link_that_leads_to_no_file_is_told_in_one_line(
    state: Path, tmp_path: Path, verb: str, target: str, told: str
) -> None:
    link = tmp_path / "itself"
    link.symlink_to(tmp_path / target)
    done = qsyd("presets", verb, str(link), "--state", str(state))
    assert (done.returncode, done.stderr.count("\n"), told in done.stderr) == (1, 1, True), done.stderr


def test_an_endless_file_behind_a_link_is_refused_at_the_bound(state: Path, tmp_path: Path) -> None:
    link = tmp_path / "endless"
    link.symlink_to("/dev/zero")
    done = qsyd("presets", "import", str(link), "--state", str(state))
    assert (done.returncode, "at most 4194304 are read" in done.stderr) == (1, True), done.stderr


def test_an_export_through_a_link_writes_where_it_leads_and_keeps_the_link(state: Path, tmp_path: Path) -> None:
    link = tmp_path / "out.csv"
    link.symlink_to(tmp_path / "elsewhere.csv")
    assert qsyd("presets", "export", str(link), "--state", str(state)).returncode == 0
    assert link.is_symlink()
    assert "mast-beam,20m/1,10,20" in (tmp_path / "elsewhere.csv").read_text()


def test_tokens_are_never_written_through_a_link(state: Path, tmp_path: Path) -> None:
    """The new file takes the link's place; what it led to stays as it was, and so does what it let in."""
    elsewhere = tmp_path / "elsewhere.json"
    (state / "tokens.json").rename(elsewhere)
    before = elsewhere.read_bytes()
    (state / "tokens.json").symlink_to(elsewhere)
    assert qsyd("token", "new", "watch", "--name", "other", "--state", str(state)).returncode == 0
    assert elsewhere.read_bytes() == before
    assert not (state / "tokens.json").is_symlink()
    listed = qsyd("token", "list", "--state", str(state)).stdout
    assert "me" in listed
    assert "other" in listed


def test_a_link_to_tokens_that_others_can_read_is_no_way_round_their_mode(state: Path, tmp_path: Path) -> None:
    loose = tmp_path / "loose.json"
    (state / "tokens.json").rename(loose)
    loose.chmod(0o644)
    (state / "tokens.json").symlink_to(loose)
    done = qsyd("token", "list", "--state", str(state))
    assert done.returncode != 0
    assert "chmod 600" in done.stderr
