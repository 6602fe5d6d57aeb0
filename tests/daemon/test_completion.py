"""`qsyd completion`: what a real shell makes of the script."""

import shutil
import subprocess
from pathlib import Path

import pytest
from running_daemon import qsyd

SHELLS = ("bash", "zsh", "fish", "tcsh")


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    done = qsyd("completion", "bash")
    assert done.returncode == 0, done.stderr
    path = tmp_path_factory.mktemp("completion") / "qsyd.bash"
    path.write_text(done.stdout)
    return path


def completed(script: Path, *words: str, directory: Path | None = None) -> list[str]:
    """What bash offers for the last of these words, by the function that the script has registered for qsyd."""
    asked = """
    source "$1"; shift
    read -ra registered < <(complete -p qsyd)
    for ((i = 0; i < ${#registered[@]}; i++)); do
        [[ ${registered[i]} == -F ]] && function=${registered[i + 1]}
    done
    COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMP_LINE="$*"; COMP_POINT=${#COMP_LINE}
    "$function" qsyd "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"
    printf '%s\\n' "${COMPREPLY[@]}"
    """
    done = subprocess.run(
        ["bash", "--norc", "-c", asked, "bash", str(script), "qsyd", *words],
        capture_output=True, text=True, timeout=20, check=True, cwd=directory,
    )  # fmt: skip
    return [line.strip() for line in done.stdout.splitlines() if line.strip()]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("rel",), ["reload"]),
        (("ta",), ["tap"]),
        (("amplifier", "o"), ["on", "off", "operate"]),
        (("presets", "ex"), ["export"]),
        (("reload", "--ch"), ["--check"]),
        (("tap", "--h"), ["--help", "--hex"]),
        (("status", "--s"), ["--state", "--server"]),
        (("sim", "rig", "--protocol", "ci"), ["ci-v"]),
        (("explain", "x.yaml", "14.2", "--mode", "us"), ["usb"]),
        (("completion", "z"), ["zsh"]),
    ],
)
def test_bash_offers_commands_options_and_choices(script: Path, words: tuple[str, ...], offered: list[str]) -> None:
    assert completed(script, *words) == offered


def test_bash_offers_files_where_a_station_file_belongs(script: Path, tmp_path: Path) -> None:
    (tmp_path / "harbour.yaml").touch()
    (tmp_path / "state").mkdir()
    assert completed(script, "run", "har", directory=tmp_path) == ["harbour.yaml"]
    assert completed(script, "status", "--state", "sta", directory=tmp_path) == ["state"]


@pytest.mark.parametrize("shell", SHELLS)
def test_there_is_a_script_for_each_shell_that_knows_every_command(shell: str) -> None:
    done = qsyd("completion", shell)
    assert done.returncode == 0, done.stderr
    assert "reload" in done.stdout
    assert "lockout" in done.stdout
    interpreter = shutil.which(shell)
    if interpreter is not None and shell != "tcsh":
        subprocess.run([interpreter, "-n", "/dev/stdin"], input=done.stdout, text=True, check=True, timeout=20)


def test_another_shell_is_a_wrong_command_line() -> None:
    assert qsyd("completion", "cmd").returncode == 2
