"""Every module can be imported alone, first, where none of its kind was: no import order hides a circle or a missing import."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import benchworthy

PACKAGE = Path(benchworthy.__file__).parent
SECONDS = 240
# What others wrote takes most of the time to import, and is the same for all: it is there before the process splits in two.
OTHERS = ("alembic", "cryptography", "flask_smorest", "fpdf", "joserfc", "marshmallow", "mpremote", "numpy", "paho", "requests",
          "sqlalchemy", "waitress")  # fmt: skip
ALONE = """
import importlib, os, sys
for other in sys.argv[1:]:
    importlib.import_module(other)
for name in sys.stdin.read().split():
    child = os.fork()
    if child == 0:
        try:
            importlib.import_module(name)
        except BaseException as fault:
            print(f"{name}: {type(fault).__name__}: {fault}", flush=True)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if status:
        print(f"{name}: its process ended with {status}", flush=True)
"""


def modules(package: Path) -> Iterator[str]:
    """Dotted names of every module under the folder of a package. Alembic's scripts lie in no package and are not imported."""
    for file in sorted(package.rglob("*.py")):
        inside = file.relative_to(package.parent)
        if all((package.parent / folder / "__init__.py").is_file() for folder in list(inside.parents)[:-1]):
            parts = inside.with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def failures(package: Path) -> list[str]:
    """The modules that cannot be imported alone, each with what Python said; -P keeps the current folder off the path."""
    done = subprocess.run(
        [sys.executable, "-P", "-W", "error", "-c", ALONE, *OTHERS],
        input="\n".join(modules(package)),
        env={**os.environ, "PYTHONPATH": str(package.parent)},
        cwd=package.parent,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=True,
    )
    return done.stdout.splitlines()


def test_every_module_is_importable_alone() -> None:
    """One process for each module, in which nothing of the package was imported before; warnings are errors."""
    assert len(list(modules(PACKAGE))) > 50
    assert failures(PACKAGE) == []


def test_a_circle_that_an_order_hides_is_found(tmp_path: Path) -> None:
    """Seen red: two planted modules work in one order and fail in the other, and a third lacks its import."""
    package = tmp_path / "planted"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "first.py").write_text("import planted.second\nvalue = 1\n")
    (package / "second.py").write_text("from planted.first import value\n")
    (package / "third.py").write_text("import nothing_of_this_name\n")
    found = failures(package)
    assert [line.partition(":")[0] for line in found] == ["planted.first", "planted.third"]


def test_a_module_broken_in_a_copy_of_the_package_is_found(tmp_path: Path) -> None:
    """Seen red on the real tree: a copy of the reports package whose receipt imports what is not there."""
    copy = tmp_path / "benchworthy"
    copy.mkdir()
    shutil.copy(PACKAGE / "__init__.py", copy)
    shutil.copy(PACKAGE / "errors.py", copy)
    shutil.copytree(PACKAGE / "reports", copy / "reports", ignore=shutil.ignore_patterns("__pycache__"))
    assert failures(copy) == []
    with (copy / "reports" / "receipt.py").open("a") as file:
        file.write("\nfrom benchworthy.reports import nothing_of_this_name\n")
    assert [line.partition(":")[0] for line in failures(copy)] == ["benchworthy.reports.receipt"]
