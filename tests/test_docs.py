"""The reference is what the code says now, and what people are told to do exists."""

import importlib.util
import inspect
import re
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
from marshmallow import fields

from benchworthy import errors, settings
from benchworthy.cli.main import VERBS
from benchworthy.errors import BenchworthyError
from benchworthy.intake import wire

REPOSITORY = Path(__file__).resolve().parents[1]
REFERENCE = REPOSITORY / "docs" / "reference"
PACKAGE = Path(errors.__file__).parent


def _generator() -> ModuleType:
    """docs/generate.py, which is a script and lies in no package."""
    spec = importlib.util.spec_from_file_location("benchworthy_docs_generate", REPOSITORY / "docs" / "generate.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


generate = _generator()
PAGES = generate.pages()
PATHS = generate.all_paths(generate.application())


@pytest.mark.parametrize("name", PAGES)
def test_the_committed_reference_is_what_the_code_says(name: str) -> None:
    """When this fails: python docs/generate.py, then read what changed."""
    assert (REFERENCE / name).read_text() == PAGES[name]


def test_the_committed_list_of_the_agents_files_is_what_mip_needs() -> None:
    """When this fails: python docs/generate.py."""
    assert (REPOSITORY / "agent" / "package.json").read_text() == generate.package_text()


def test_the_generator_writes_the_same_text_every_time() -> None:
    """No clock, no terminal, no order of a set in it."""
    assert generate.pages() == PAGES


def _missing_codes(page: str) -> set[str]:
    known = {kind.code for kind in generate.error_classes()}
    return {code for code in known if f"`{code}`" not in page}


def test_every_error_code_is_in_the_reference() -> None:
    """Each once, and the guard turns red for a code that is planted."""
    page = (REFERENCE / "errors.md").read_text()
    assert _missing_codes(page) == set()
    assert _missing_codes(page.replace("`run-closed`", "")) == {"run-closed"}


def test_a_planted_error_makes_the_reference_stale(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen red: a new class without a new page."""
    planted = type("BoardSang", (errors.BenchFailure,), {"code": "board-sang", "advice": "Listen."})
    monkeypatch.setattr(errors, "BoardSang", planted, raising=False)
    assert generate.pages()["errors.md"] != (REFERENCE / "errors.md").read_text()
    assert _missing_codes((REFERENCE / "errors.md").read_text()) == {"board-sang"}


def test_the_tree_drawn_in_errors_py_is_the_tree_of_classes() -> None:
    """Names, order and codes as drawn."""
    drawn = re.findall(r"[├└]── (\w+)(?: +([a-z0-9-]+)(?=$|:))?", errors.__doc__ or "", re.MULTILINE)
    classes = [kind for kind in vars(errors).values() if inspect.isclass(kind) and issubclass(kind, BenchworthyError)]
    own = {kind.__name__: kind for kind in classes if kind is not BenchworthyError}
    assert [name for name, _ in drawn] == list(own)
    for name, code in drawn:
        assert code == ("" if "code" not in vars(own[name]) else own[name].code)


def test_every_error_has_a_code_of_its_own_and_an_advice() -> None:
    """Two classes under one code could not be told apart by a script."""
    kinds = generate.error_classes()
    assert len({kind.code for kind in kinds}) == len(kinds)
    assert [kind.code for kind in kinds if not kind.advice] == []


def test_every_setting_is_in_the_reference() -> None:
    """By the name of its variable."""
    page = (REFERENCE / "settings.md").read_text()
    assert [name for name in settings.KNOWN if f"`{settings.PREFIX}{name}`" not in page] == []


def test_every_command_is_in_the_reference() -> None:
    """Each verb has a heading, a module of its own and a sentence that says what its exit means."""
    page = (REFERENCE / "commands.md").read_text()
    assert [verb for verb in VERBS if f"## benchworthy {verb}\n" not in page] == []
    for entry in VERBS.values():
        assert inspect.getdoc(import_module(f"benchworthy.cli.{entry.module}").run)


def test_every_name_of_a_report_is_in_its_page() -> None:
    """The page is written by hand; what the schema admits must be on it, nested names included."""
    page = (REFERENCE / "report.md").read_text()
    names = {*wire.ReportSchema().fields, *wire.ReadingSchema().fields}
    nested = [field.schema.fields for field in wire.ReportSchema().fields.values() if isinstance(field, fields.Nested)]
    names |= {name for inner in nested for name in inner}
    assert {name for name in names if f"`{name}`" not in page} == set()


def test_every_path_is_in_the_reference_with_a_sentence() -> None:
    """What the OpenAPI document lists, what stands beside it, and nothing else."""
    page = (REFERENCE / "http.md").read_text()
    assert re.findall(r"^## (.*)$", page, re.MULTILINE) == PATHS
    assert re.findall(r"^## .*\n\n\s*$", page, re.MULTILINE) == []
    document = generate.specification(generate.application())
    items = [(path, method) for path, item in document["paths"].items() for method in item if method != "parameters"]
    described = {f"{method.upper()} {path}" for path, method in items}
    assert described <= set(PATHS)
    assert {path for path in PATHS if "/api/v1/" in path} - described <= {"GET /api/v1/openapi.json", "GET /api/v1/status-list"}


# --- what people are told to do ------------------------------------------------------------------------------------


def _shape(path: str) -> str:
    return re.sub(r"\{.*?\}", "{}", path)


def _told_paths(text: str) -> set[str]:
    """`METHOD /api/v1/...` as the text names it, parameters as {}."""
    return {_shape(found.rstrip(".,;:)")) for found in re.findall(r"(?:GET|POST|PATCH|PUT|DELETE) /api/v1/[\w{}/.-]*", text)}


def _texts() -> dict[str, str]:
    """Everything that speaks to a person: the package's own sources, and the pages in words."""
    files = [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.toml"), *REPOSITORY.glob("*.md"), *(REPOSITORY / "docs").rglob("*.md")]
    return {str(file): file.read_text() for file in files}


def test_every_path_that_somebody_is_sent_to_exists() -> None:
    """An advice that names a path which answers 404 is worse than none."""
    known = {_shape(path) for path in PATHS}
    assert {f"{file}: {path}" for file, text in _texts().items() for path in _told_paths(text) - known} == set()
    assert _told_paths("Send POST /api/v1/boards/{serial}/songs.") == {"POST /api/v1/boards/{}/songs"}


def _told_verbs(text: str) -> set[str]:
    return set(re.findall(r"`benchworthy ([a-z][a-z-]*)", text))


def test_every_command_that_somebody_is_sent_to_exists() -> None:
    """The same for `benchworthy VERB`."""
    assert {f"{file}: {verb}" for file, text in _texts().items() for verb in _told_verbs(text) - set(VERBS)} == set()
    assert _told_verbs("Run `benchworthy sing` again.") == {"sing"}


def _broken_links(page: Path) -> list[str]:
    links = re.findall(r"\]\(([^)\s]+)\)", page.read_text())
    local = [link.partition("#")[0] for link in links if not re.match(r"[a-z]+:", link)]
    return [f"{page.name}: {link}" for link in local if link and not (page.parent / link).exists()]


def test_every_link_between_the_pages_resolves(tmp_path: Path) -> None:
    """README, DEVELOPERS and docs; and the guard has seen a broken one."""
    pages = [*REPOSITORY.glob("*.md"), *(REPOSITORY / "docs").rglob("*.md")]
    assert [broken for page in pages for broken in _broken_links(page)] == []
    planted = tmp_path / "page.md"
    planted.write_text("[there](page.md#part) [away](https://example.org/x) [gone](gone.md)")
    assert _broken_links(planted) == ["page.md: gone.md"]
