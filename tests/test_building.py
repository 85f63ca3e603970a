"""A board built stage by stage: runs of half-built boards, gates, sign-offs, and what stands on its certificate."""

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchworthy import settings
from benchworthy.designs import catalogue
from benchworthy.designs.half_built import as_built
from benchworthy.designs.loading import load
from benchworthy.errors import SettingsInvalid, SheetInvalid
from benchworthy.keys.status import open_token
from benchworthy.reports.signed import CERTIFICATE_TYPE
from benchworthy.virtual import healthy
from benchworthy.web import create_app
from papers import seen_text
from services import reports
from services.desk import refused
from services.service import Trial, trial

STAGES = (1, 2, 3, 4)
SHEET = catalogue.find("tarn-b")


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        started.have_fixtures()
        yield started


def one_person(made: Trial) -> Trial:
    """The same house, where one person may do what two do elsewhere."""
    made.app = create_app(dataclasses.replace(made.services, one_person=True))
    made.client = made.app.test_client()
    return made


def codes(answer: Any) -> list[str]:
    return sorted({item["code"] for item in refused(answer, 409, "act-refused")["unmet"]})


def staged(made: Trial, body: str) -> str:
    serial: str = made.enrol(body, staged=True)["serial"]
    return serial


def stage_run(made: Trial, serial: str, stage: int, *others: dict[str, Any]) -> dict[str, Any]:
    """A complete closed run of a board built this far."""
    body = {"stage": stage, "bench": made.bench.thumbprint, "scanned": serial, "fixtures": list(reports.FIXTURES)}
    opened = made.post(f"/boards/{serial}/runs", body)
    made.deliver_all(opened, serial, *others)
    for author, role in (("inspector", "inspector"), ("operator", "tester")):
        drawn = {draw["test"] for draw in opened["draws"]}
        asked = [one for one in opened["ask"] if one["author"] == author and one["test"] not in drawn]
        said = [_three_diodes(reports.answer(one), stage) for one in asked]
        said += [reports.seen(draw) for draw in opened["draws"]] if author == "operator" else []
        if said:
            made.post(f"/runs/{opened['run']}/answers", {"answers": said}, role)
    closed: dict[str, Any] = made.post(f"/runs/{opened['run']}/close", {})
    return closed


def _three_diodes(answer: dict[str, Any], stage: int) -> dict[str, Any]:
    if answer["test"] == "PRE-DIODE" and stage < 3:
        assert "D8" not in answer["items"], "nobody is asked for a part that is not there"
        return {**answer, "items": {**answer["items"], "over-range reversed": "3"}}
    return answer


def sign(made: Trial, serial: str, stage: int, builder: str = "B1", role: str = "inspector") -> Any:
    return made.ask("POST", f"/boards/{serial}/stages/{stage}", {"builder": builder}, role)


def build(made: Trial, serial: str, *stages: int) -> None:
    for stage in stages:
        assert stage_run(made, serial, stage)["complete"]
        answer = sign(made, serial, stage)
        assert answer.status_code == 201, answer.text


def test_a_board_is_built_stage_by_stage_and_only_then_certified(made: Trial) -> None:
    """State, open stage and wanting gates on the way; the results and the paper name builder and inspector of each stage."""
    serial = staged(made, "BUILD2")
    assert made.get(f"/boards/{serial}/life")["state"] == "kit"
    build(made, serial, 1, 2, 3)
    life = made.get(f"/boards/{serial}/life")
    assert life["state"] == "in build"
    assert [stage["state"] for stage in life["stages"]] == ["signed", "signed", "signed", "open"]
    assert (life["stages"][0]["title"], life["stages"][0]["signed_by"], life["stages"][0]["wanting"]) == ("Power entry", "I2", [])
    assert {"SNS-S1", "VIS-INSP", "PRE-COLD"} <= set(life["stages"][3]["wanting"])
    whole = made.whole_run(serial)["run"]
    assert made.unmet(serial, whole) == ["stage-not-signed"]
    assert [item["code"] for item in made.get(f"/boards/{serial}/fitness")["unmet"]] == ["no-certificate", "stage-not-signed"]
    assert sign(made, serial, 4).status_code == 201  # the whole run showed all of its gates
    given = made.certify(serial, whole)
    assert given.status_code == 201, given.text
    results = made.ask("GET", f"/certificates/{given.json['id']}/results").json
    assert [(s["stage"], s["builder"], s["inspector"]) for s in results["stages"]] == [(n, "B1", "I2") for n in STAGES]
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "application/pdf"}
    paper = seen_text(made.client.get(f"/api/v1/certificates/{given.json['id']}", headers=headers).data)
    assert "Stage 1, Power entry: built by B1, looked at by I2" in " ".join(paper.split())
    assert made.get(f"/boards/{serial}/life")["state"] == "fit"


def test_a_run_of_a_stage_holds_its_own_tests_and_those_it_repeats_and_never_certifies(made: Trial) -> None:
    """Nothing of a later stage; the bench hears what to look at before the power comes on."""
    serial = staged(made, "BUILD3")
    for number in STAGES:
        held = SHEET.tests_of(f"stage-{number}")
        assert held and max(test.stage for test in held) == number
        assert {test.id for test in SHEET.tests_of("full") if test.stage == number} <= {test.id for test in held}
    body = {"stage": 1, "bench": made.bench.thumbprint, "scanned": serial}
    opened = made.post(f"/boards/{serial}/runs", body)
    assert opened["parts"] == [] and opened["stage"]["first_power"].startswith("cover on")
    assert {asked["test"] for asked in opened["ask"]} == {test.id for test in SHEET.tests.values() if test.stage == 1}
    done = stage_run(made, serial, 2)
    assert {told["test"] for told in done["tests"]} == {test.id for test in SHEET.tests_of("stage-2")}
    assert (done["complete"], done["verdict"], done["findings"]) == (True, "in limits", [])
    assert "set-does-not-certify" in made.unmet(serial, done["run"])
    for wrong in ({"stage": 5}, {"stage": 1, "set": "full"}, {"stage": "1"}, {}):
        answer = made.ask("POST", f"/boards/{serial}/runs", {**{k: body[k] for k in ("bench", "scanned")}, **wrong})
        assert answer.status_code == 422, answer.text


def test_a_gate_wants_a_run_of_a_board_built_this_far(made: Trial) -> None:
    """A run of an earlier stage shows nothing of this one, an out anywhere counts, and stages are signed in order."""
    serial = staged(made, "BUILD4")
    build(made, serial, 1)
    assert codes(sign(made, serial, 3)) == ["gate-not-passed", "stage-before-open"]
    wanting = [item for item in sign(made, serial, 2).json["unmet"] if item["what"].startswith("VIS-INSP")]
    assert wanting, "the look of stage 1 saw none of the parts of stage 2"
    stage_run(made, serial, 2, reports.scaled("LED-VF", "anode", 1.3))
    told = sign(made, serial, 2).json["unmet"]
    assert [item["what"].split()[0] for item in told] == ["LED-VF"]
    made.post(f"/boards/{serial}/repairs", {"part": "R11", "seen": "A dry joint."})
    build(made, serial, 2)


def test_a_repair_voids_its_stage_and_the_later_ones(made: Trial) -> None:
    """They are signed again, on evidence of after the repair, before the next certificate; earlier ones stay."""
    serial = staged(made, "BUILD5")
    build(made, serial, *STAGES)
    made.whole_run(serial)
    assert made.certify(serial).status_code == 201
    made.post(f"/boards/{serial}/repairs", {"part": "R30", "seen": "Burnt."})
    life = made.get(f"/boards/{serial}/life")
    assert [stage["state"] for stage in life["stages"]] == ["signed", "signed", "open", "closed"]
    assert codes(sign(made, serial, 3)) == ["gate-not-passed"]
    run = made.whole_run(serial)["run"]
    assert made.unmet(serial, run) == ["stage-not-signed", "stage-not-signed"]
    assert [sign(made, serial, stage).status_code for stage in (3, 4)] == [201, 201]
    assert made.certify(serial, run).status_code == 201


def test_a_board_signed_at_its_first_stage_counts_as_built_stage_by_stage(made: Trial) -> None:
    """Whatever was said when it was enrolled; any other needs no stage, and its results name none."""
    plain, begun = made.enrol("BUILD6")["serial"], made.enrol("BUILD7")["serial"]
    assert made.get(f"/boards/{plain}")["staged"] is False
    stage_run(made, begun, 1)
    assert sign(made, begun, 1).status_code == 201
    for serial, unmet in ((plain, []), (begun, ["stage-not-signed"] * 3)):
        run = made.whole_run(serial)["run"]
        answer = made.certify(serial, run)
        assert [item["code"] for item in answer.json.get("unmet", [])] == unmet
    assert made.ask("GET", f"/certificates/{made.certify(plain).json['id']}/results").json["stages"] == []


def test_a_fleet_file_may_say_that_boards_are_built_stage_by_stage(made: Trial) -> None:
    """As true or false; anything else is told with its line."""
    text = "serial,design,virtual,staged\nBUILD8S,tarn-b,true,perhaps\n"
    answer = made.client.post("/api/v1/fleet/import?dry_run=true", data=text, content_type="text/csv",
                              headers={"Authorization": f"Bearer {made.secrets['coordinator']}"})  # fmt: skip
    assert "staged is true or false" in answer.text


# ------------------------------------------------------------------------------------------------- one person and two


def test_whoever_built_a_board_neither_inspects_nor_tests_it_first(made: Trial) -> None:
    """Refused in a house of two; where the house allows one person the certificate says so everywhere."""
    serial = staged(made, "ALONE1")
    for stage in STAGES:
        stage_run(made, serial, stage)
        assert sign(made, serial, stage, builder="T4").status_code == 201
    run = made.whole_run(serial)["run"]
    assert made.unmet(serial, run) == ["builder-tested"]
    assert codes(sign(made, serial, 1, builder="I2")) == ["inspector-not-second-person"]
    given = one_person(made).certify(serial, run)
    assert given.status_code == 201, given.text
    assert said_of(made, given.json) == (True, True, True)


def said_of(made: Trial, certificate: dict[str, Any]) -> tuple[bool, bool, bool]:
    """Whether claims, results and paper say that one person did it."""
    keys = made.client.get("/.well-known/jwks.json").json
    claim = open_token(certificate["token"], keys, CERTIFICATE_TYPE).get("one_person", False)
    results = json.loads(made.ask("GET", f"/certificates/{certificate['id']}/results").data)
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "application/pdf"}
    paper = seen_text(made.client.get(f"/api/v1/certificates/{certificate['id']}", headers=headers).data)
    return claim, "one_person" in results["people"], "One person did what two do elsewhere" in " ".join(paper.split())


def test_one_person_inspects_what_they_answered_only_where_the_house_says_so(made: Trial) -> None:
    """Off, refused and nothing written; on, issued and said; on with two persons, issued and not said."""
    serial = made.enrol("ALONE2")["serial"]
    opened = made.open(serial)
    made.deliver_all(opened, serial)
    made.people_answer(opened, inspector="coordinator")
    made.post(f"/runs/{opened['run']}/close", {})
    rows = made.rows()
    assert made.unmet(serial, opened["run"]) == ["inspector-not-second-person"]
    assert made.rows() == rows
    one_person(made)
    given = made.certify(serial, opened["run"])
    assert given.status_code == 201 and given.json["one_person"] is True
    assert said_of(made, given.json) == (True, True, True)
    other = made.enrol("ALONE3")["serial"]
    made.whole_run(other)
    given = made.certify(other)
    assert given.json["one_person"] is False and said_of(made, given.json) == (False, False, False)


def test_one_person_signs_a_stage_alone_where_the_house_says_so(made: Trial) -> None:
    """And the certificate says it, though somebody else tested the whole board."""
    serial = staged(one_person(made), "ALONE4")
    for stage in STAGES:
        stage_run(made, serial, stage)
        assert sign(made, serial, stage, builder="I2").status_code == 201
    made.whole_run(serial)
    assert made.certify(serial).json["one_person"] is True


def test_the_setting_is_yes_or_no() -> None:
    """Off unless said; anything else is refused by name."""
    assert settings.read({}).one_person is False
    assert settings.read({"BENCHWORTHY_ONE_PERSON": "yes"}).one_person is True
    with pytest.raises(SettingsInvalid, match="BENCHWORTHY_ONE_PERSON is 'maybe'"):
        settings.read({"BENCHWORTHY_ONE_PERSON": "maybe"})


# ------------------------------------------------------------------------------------------------- the sheet's stages


@pytest.mark.parametrize("stage", [2, 3])
def test_what_a_walk_decides_on_a_half_built_board_is_what_its_circuit_decides(stage: int) -> None:
    """Solved without the parts of later stages: every bit that still counts is right, and every loose port is needed."""
    there = {ref: part for ref, part in SHEET.parts.items() if (part.stage or 1) <= stage}
    solved = healthy.patterns(dataclasses.replace(SHEET, parts=there))["GPIO-WALK"]
    ports = SHEET.tests["GPIO-WALK"].parameters["ports"]
    expected = as_built(SHEET, f"stage-{stage}").patterns["GPIO-WALK"]
    assert all(
        row.care & ~care == 0 and (row.expected ^ value) & row.care == 0
        for row, (value, care) in zip(expected, solved, strict=True)
    )
    wrong = {
        port
        for bit, port in enumerate(ports)
        for row, (value, care) in zip(SHEET.patterns["GPIO-WALK"], solved, strict=True)
        if row.care >> bit & 1 and not (care >> bit & 1 and not (row.expected ^ value) >> bit & 1)
    }
    assert wrong == set(SHEET.stages[stage].loose)


def test_the_stages_are_guide_and_change_no_verdict_of_a_whole_board() -> None:
    """The judging hash is that of a sheet without them, so no certificate lapses by them; and a full run is judged as ever."""
    text = (Path(settings.__file__).parent / "designs/library/tarn-b.toml").read_text()
    patterns = {name: [[row.expected, row.care] for row in rows] for name, rows in SHEET.patterns.items()}
    before, _, rest = text.partition("[stages.1]")
    bare = load(before + "[state_files]" + rest.partition("[state_files]")[2].replace("\nguards = ", "\n# guards = "), patterns)
    assert bare.judging_hash == SHEET.judging_hash and bare.guide_hash != SHEET.guide_hash
    assert bare.stages == {} and bare.stage_sets == ()
    assert as_built(SHEET, "full") is SHEET


@pytest.mark.parametrize(("was", "becomes", "told"), [
    ('[stages.3]', '[stages.x]', "is no stage"),
    ('[stages.4]\ntitle = "Ports"', '[stages.5]\ntitle = "Ports"', "is missing; tests or parts of the sheet name this stage"),
    ('loose = ["sda", "scl", "servo"]\n[stages.2', 'loose = ["nowhere"]\n[stages.2', "names the port 'nowhere'"),
    ('"D8" = "not there yet"\n"over', '"D99" = "not there yet"\n"over', "is no quantity of a test"),
    ('repeat = ["VIS-INSP", "PRE-COLD"]', 'repeat = ["SNS-S1"]', "is no test of an earlier stage"),
    ('\nquick = "', '\nstage-9 = "', "those of the stages"),
])  # fmt: skip
def test_a_sheet_whose_stages_do_not_fit_is_refused(was: str, becomes: str, told: str) -> None:
    """With what is wrong."""
    text = (Path(settings.__file__).parent / "designs/library/tarn-b.toml").read_text()
    assert was in text
    with pytest.raises(SheetInvalid) as fault:
        load(text.replace(was, becomes, 1))
    assert told in str(fault.value)
