"""Every module can be imported alone, first, in a fresh process: no import order hides a circle or a missing import."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import benchworthy

PACKAGE = Path(benchworthy.__file__).parent
SECONDS_EACH = 60


def modules(package: Path) -> Iterator[str]:
    """Dotted names of every module under the folder of a package. Alembic's scripts lie in no package and are not imported."""
    for file in sorted(package.rglob("*.py")):
        inside = file.relative_to(package.parent)
        if all((package.parent / folder / "__init__.py").is_file() for folder in list(inside.parents)[:-1]):
            parts = inside.with_suffix("").parts
            yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def failures(package: Path) -> list[str]:
    """The modules that cannot be imported alone, each with the last line of what Python said."""
    with ThreadPoolExecutor(max_workers=max(2, os.cpu_count() or 2)) as pool:
        told = pool.map(lambda name: _import_alone(package.parent, name), modules(package))
        return [text for text in told if text]


def _import_alone(root: Path, name: str) -> str:
    """Empty when the import works; -P keeps the current folder off the path."""
    done = subprocess.run(
        [sys.executable, "-P", "-W", "error", "-c", f"import {name}"],
        env={**os.environ, "PYTHONPATH": str(root)},
        cwd=root,
        capture_output=True,
        text=True,
        timeout=SECONDS_EACH,
        check=False,
    )
    return "" if done.returncode == 0 else f"{name}: {(done.stderr.strip().splitlines() or ['no message'])[-1]}"


def test_every_module_is_importable_alone() -> None:
    """One fresh process for each module, a few at a time; warnings are errors."""
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
