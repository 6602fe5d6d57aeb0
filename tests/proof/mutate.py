"""Mutation testing of the safety core: change one thing at a time, and see whether a test notices.

    python tests/proof/mutate.py                            every module of the safety core
    python tests/proof/mutate.py judgement sequencer        these
    python tests/proof/mutate.py gate --every 3             each third mutant of one, where time is short
    python tests/proof/mutate.py gate --minutes 20          what 20 minutes allow; the rest later, with --past

What only the type checker looks at is left alone: the arguments of decorators, and `assert_never`.

A mutant is one comparison, one `and` or `or`, one `not`, one number, one truth value, one condition or one statement of
a module changed in a copy of the tree, and the tests below run against it. What survives is printed with its line.
"""

import argparse
import ast
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import NoReturn

import pytest

ROOT = Path(__file__).resolve().parents[2]
CORE = ("sequencer", "judgement", "change_over", "permit", "gate", "gate_account", "amplifier", "heater", "faults")
RULES = Path("rules/qsyd_rules")
GATE = ("gate", "gate_account")
"""Modules that the gate's own tests try first."""
GATE_TESTS = (
    *("tests/proof/test_gate_refusals.py", "tests/proof/test_gate_guesses.py", "tests/rules/test_gate_account.py"),
)
CORE_TESTS = (
    *("tests/rules/test_small_print.py", "tests/rules/test_change_over.py", "tests/rules/test_amplifier_model.py"),
    *("tests/rules/test_start_and_stop.py", "tests/rules/test_rig_loss.py", "tests/rules/test_keyed_moves.py"),
    *("tests/rules/test_device_failures.py", "tests/rules/test_faults.py", "tests/rules/test_readings.py"),
    *("tests/rules/test_amplifier_answers.py", "tests/rules/test_reactions.py", "tests/rules/test_tuning.py"),
)
SLOW_TESTS = (
    *("tests/rules/test_estimate_recall.py", "tests/rules/test_guarded.py", "tests/rules/test_seeded_bugs.py"),
    *("tests/rules/test_drift.py", "tests/proof/test_search.py"),
)
"""After the quick ones, up to the first that fails: whatever has survived until here is tried by histories and search."""
STATES = "8000"
LOADED = "ignore:Module already imported"
"""The plugins have been loaded before; pytest minds, for it looks into their assertions only when it loads them."""
ENDLESS = "endless"
NOT_TRIED = "not tried"
CPU_S_MAX = 180
"""Processor time of one mutant; a busy machine does not make a mutant look endless."""
Ends = list[str | None]

_OTHER: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: where, what, and the module's source with it."""

    module: str
    line: int
    what: str
    source: str


def mutants(module: str, root: Path = ROOT) -> list[Mutant]:
    """Every mutant of one module, as it stands under `root`."""
    tree = ast.parse((root / RULES / f"{module}.py").read_text(encoding="utf-8"))
    found: list[Mutant] = []
    left_alone = set(_of_decorators(tree))
    for number, node in enumerate(ast.walk(tree)):
        if node in left_alone or _is_assert_never(node):
            continue
        for variant in range(sum(1 for _ in _changes(node))):
            copy = deepcopy(tree)
            twin = next(each for at, each in enumerate(ast.walk(copy)) if at == number)
            line, what = list(_changes(twin))[variant]
            _apply(twin, variant)
            source = ast.unparse(ast.fix_missing_locations(copy))
            found.append(Mutant(module, line, what, source))
    return sorted(found, key=lambda mutant: mutant.line)


def _of_decorators(tree: ast.AST) -> Iterator[ast.AST]:
    """Every node of `@dataclass(frozen=True, …)` and its like."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            for decorator in node.decorator_list:
                yield from ast.walk(decorator)


def _is_assert_never(node: ast.AST) -> bool:
    match node:
        case ast.Expr(value=ast.Call(func=ast.Name(id="assert_never"))):
            return True
        case _:
            return False


def _changes(node: ast.AST) -> Iterator[tuple[int, str]]:
    """What can be changed at this node, each as its line and in words; `_apply` does them by the same order."""
    match node:
        case ast.Compare(ops=ops, lineno=line):
            for op in ops:
                yield line, f"{type(op).__name__} becomes {_OTHER[type(op)].__name__} in `{ast.unparse(node)}`"
        case ast.BoolOp(values=values, lineno=line):
            yield line, f"and, or exchanged in `{ast.unparse(node)}`"
            for value in values:
                yield line, f"without `{ast.unparse(value)}` in `{ast.unparse(node)}`"
        case ast.UnaryOp(op=ast.Not(), lineno=line):
            yield line, f"`{ast.unparse(node)}` without its not"
        case ast.Constant(value=bool() as value, lineno=line):
            yield line, f"{value} becomes {not value}"
        case ast.Constant(value=int() as value, lineno=line):
            yield line, f"{value} becomes {value + 1}"
        case ast.If(test=test, lineno=line):
            yield line, f"`if {ast.unparse(test)}` always"
            yield line, f"`if {ast.unparse(test)}` never"
        case ast.match_case(guard=ast.expr() as guard):
            yield guard.lineno, f"case without `if {ast.unparse(guard)}`"
        case ast.Expr(value=ast.Call(), lineno=line):
            yield line, f"without `{ast.unparse(node)}`"
        case _:
            return


def _apply(node: ast.AST, variant: int) -> None:
    match node:
        case ast.Compare():
            node.ops[variant] = _OTHER[type(node.ops[variant])]()
        case ast.BoolOp() if variant == 0:
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.BoolOp():
            node.values[variant - 1] = ast.Constant(isinstance(node.op, ast.And))
        case ast.UnaryOp():
            node.op = ast.Not()
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
        case ast.Constant(value=bool() as value):
            node.value = not value
        case ast.Constant(value=int() as value):
            node.value = value + 1
        case ast.If():
            node.test = ast.Constant(variant == 0)
        case ast.match_case():
            node.guard = None
        case ast.Expr():
            node.value = ast.Constant(None)
        case _:
            raise AssertionError(type(node).__name__)


class Copy:
    """A copy of the tree, in which one mutant at a time lives."""

    def __init__(self, above: Path, of: Path = ROOT) -> None:
        self.root = Path(tempfile.mkdtemp(dir=above))
        for name in ("rules", "tests"):
            shutil.copytree(of / name, self.root / name, ignore=shutil.ignore_patterns("__pycache__", ".hypothesis"))
        shutil.copy(of / "pyproject.toml", self.root)
        for name in ("daemon", "simulators"):
            (self.root / name).mkdir()
        self._said = self.root / "said"
        self._sound: tuple[Path, str] | None = None

    def begin(self, mutant: Mutant | None) -> int:
        """Run the tests with this mutant in a process of its own; its number. `end` has to follow."""
        self._sound = None
        if mutant is not None:
            path = self.root / RULES / f"{mutant.module}.py"
            self._sound = path, path.read_text(encoding="utf-8")
            path.write_text(mutant.source, encoding="utf-8")
        number = os.fork()
        if number == 0:
            self._run(mutant is None or mutant.module in GATE)
        return number

    def end(self, status: int) -> str | None:
        """The first test that failed, `ENDLESS` if its time ran out, None if it survived."""
        if self._sound is not None:
            path, source = self._sound
            path.write_text(source, encoding="utf-8")
        if os.WIFSIGNALED(status):
            return ENDLESS
        if os.waitstatus_to_exitcode(status) == 0:
            return None
        told = self._said.read_text(encoding="utf-8", errors="replace")
        return next((line for line in told.splitlines() if line.startswith(("FAILED", "ERROR"))), told.strip()[-200:])

    def _run(self, gate_first: bool) -> NoReturn:
        """Never returns: this is the process of one mutant, with nothing of the project imported yet."""
        code = 1
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (CPU_S_MAX, CPU_S_MAX))
            os.dup2(os.open(self._said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
            os.dup2(1, 2)
            os.chdir(self.root)
            os.environ["QSYD_PROOF_STATES"] = STATES
            sys.dont_write_bytecode = True
            order = (*GATE_TESTS, *CORE_TESTS) if gate_first else (*CORE_TESTS, *GATE_TESTS)
            options = ["-x", "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-p", "no:xdist", "-W", LOADED]
            code = int(pytest.main([*options, *order, *SLOW_TESTS]))
        except BaseException:  # noqa: BLE001  # told as an interpreter tells it at its end, then this process ends
            sys.excepthook(*sys.exc_info())
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)


def try_all(
    chosen: list[Mutant], copies: list[Copy], until_s: float, tell: Callable[[Mutant, str | None], None]
) -> Ends:
    """How each mutant ends, as many at once as there are copies; none is begun after `until_s`."""
    ends: Ends = [NOT_TRIED] * len(chosen)
    waiting = list(enumerate(chosen))[::-1]
    free, running = list(copies), dict[int, tuple[int, Copy]]()
    while running or (waiting and time.monotonic() < until_s):
        while free and waiting and time.monotonic() < until_s:
            index, mutant = waiting.pop()
            copy = free.pop()
            running[copy.begin(mutant)] = index, copy
        number, status = os.wait()
        index, copy = running.pop(number)
        ends[index] = copy.end(status)
        free.append(copy)
        tell(chosen[index], ends[index])
    return ends


def main() -> int:
    """Run the command; 0 unless the tests fail without any mutant."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", default=CORE, help=f"of {', '.join(CORE)}; all of them if none is named")
    parser.add_argument("--every", type=int, default=1, help="try each so-many-th mutant only")
    parser.add_argument("--past", type=int, default=0, help="leave out so many, which an earlier run has tried")
    parser.add_argument("--parallel", type=int, default=2, help="mutants at once")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no further mutant after this time")
    parser.add_argument("--verbose", action="store_true", help="tell the end of each mutant as it comes, on stderr")
    asked = parser.parse_args()
    for module in asked.modules:
        if module not in CORE:
            parser.error(f"{module} is no module of the safety core: {', '.join(CORE)}")
    until_s = time.monotonic() + asked.minutes * 60

    def tell(mutant: Mutant, end: str | None) -> None:
        if asked.verbose:
            print(f"  {mutant.module}:{mutant.line}: {mutant.what}: {end or 'SURVIVES'}", file=sys.stderr, flush=True)

    for plugin in entry_points(group="pytest11"):
        plugin.load()  # once, and not in the process of each mutant
    with tempfile.TemporaryDirectory() as above:
        sound = Copy(Path(above))  # the tree may be worked on meanwhile: all mutants are of this one state
        copies = [sound, *(Copy(Path(above), sound.root) for _ in range(asked.parallel - 1))]
        sound.begin(None)
        noticed = sound.end(os.wait()[1])
        if noticed is not None:
            print(f"the tests fail without any mutant: {noticed}", file=sys.stderr)
            return 1

        everything = {module: mutants(module, sound.root) for module in asked.modules}
        for module in asked.modules:
            chosen = everything[module][asked.past :: asked.every]
            ends = try_all(chosen, copies, until_s, tell)
            survivors = [mutant for mutant, end in zip(chosen, ends, strict=True) if end is None]
            run = sum(end != NOT_TRIED for end in ends)
            score = f"{100 * (run - len(survivors)) / run:.1f} %" if run else "none tried"
            print(
                f"{module}: {run} of {len(chosen)} mutants tried, {run - len(survivors)} noticed, {score}", flush=True
            )
            for mutant in survivors:
                print(f"  {RULES / module}.py:{mutant.line}: {mutant.what}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
