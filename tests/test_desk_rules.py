"""The desk's pure decisions: no evidence, not certified and fails are told apart, and every unmet condition is told."""

import dataclasses
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import benchworthy
from benchworthy.designs import catalogue
from benchworthy.desk import certify, lend
from benchworthy.desk.facts import BoardFacts, CertificateFacts, HoldFacts, LoanFacts, RunSummary
from benchworthy.desk.fitness import fitness
from benchworthy.desk.lapses import RENEWABLE
from benchworthy.desk.life import Life, SignOff, WaiverFacts
from benchworthy.desk.outs import no_fault_found, unexplained_outs
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment, Need
from benchworthy.judging.tests import Outcome

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)
LAPSE = re.compile(r"\bLAPSE-[A-Z-]+")
POLICY = catalogue.find("tarn-b").policy


def run(name: str, age: int, *, outs: tuple[str, ...] = (), complete: bool = True, closed: bool = True,
        test_set: str = "full", secrets_absent: bool = True) -> RunSummary:  # fmt: skip
    """A run `age` days ago."""
    opened = NOW - age * DAY
    ended = opened + timedelta(hours=1) if closed else None
    verdict = Verdict.OUT if outs else Verdict.IN_LIMITS
    sound = frozenset({"PWR-V5", "OUT-OFF"} - set(outs)) if test_set == "full" else frozenset({"OUT-OFF"} - set(outs))
    return RunSummary(name, test_set, opened, ended, complete, verdict, outs, secrets_absent, (), sound)


def certificate(age: int = 10, days: int = 90, lapse: str | None = None) -> CertificateFacts:
    issued = NOW - age * DAY
    return CertificateFacts("c-1", "r-1", issued, issued + days * DAY, lapse)


def loan(*, returned: int | None = None) -> LoanFacts:
    """A loan of twenty days ago, returned so many days ago."""
    back = None if returned is None else NOW - returned * DAY
    return LoanFacts("l-1", "borrower-7", NOW - 20 * DAY, NOW + DAY, back)


OPEN_WITH_AN_OUT = run("r-2", 1, outs=("PWR-V5",), complete=False, closed=False)
KIT = BoardFacts("TB001X", "tarn-b", False, None, False, (), None, None, None, None, None)
FIT = dataclasses.replace(KIT, module="e661", any_evidence=True, runs=(run("r-1", 10),), certificate=certificate())


def but(facts: BoardFacts, **changes: object) -> BoardFacts:
    return dataclasses.replace(facts, **changes)


def codes(unmet: tuple[object, ...]) -> list[str]:
    return [item.code for item in unmet]


# --- fitness -------------------------------------------------------------------------------------------------------


def test_a_board_with_a_certificate_in_force_is_fit_until_it_ends() -> None:
    """Nothing is unmet, and the answer says until when."""
    answer = fitness(FIT, NOW)
    assert (answer.fit, answer.answer, answer.state, answer.unmet) == (True, "fit", "fit", ())
    assert answer.until == NOW + 80 * DAY


def test_no_evidence_is_no_failure() -> None:
    """A kit with nothing on record, and one with field evidence alone, answer "no evidence"; the sentence differs."""
    kit, field = fitness(KIT, NOW), fitness(but(KIT, any_evidence=True), NOW)
    assert (kit.answer, kit.state, codes(kit.unmet)) == ("no evidence", "kit", ["no-bench-evidence"])
    assert field.answer == "no evidence"
    assert not kit.fit and not field.fit
    assert kit.unmet[0].what.startswith("No evidence has arrived")
    assert field.unmet[0].what.startswith("Only field evidence has arrived")


def test_a_run_in_which_nothing_arrived_is_no_evidence() -> None:
    """Opening a run proves nothing, closed or not."""
    empty = dataclasses.replace(run("r-1", 1, complete=False), verdict=None)
    answer = fitness(but(KIT, runs=(empty,)), NOW)
    assert (answer.answer, answer.state, codes(answer.unmet)) == ("no evidence", "kit", ["no-bench-evidence"])


def test_a_tested_board_without_a_certificate_is_not_certified_and_says_so() -> None:
    """Tested and not certified is another thing than not tested, and another than bad."""
    answer = fitness(but(FIT, certificate=None), NOW)
    assert (answer.answer, answer.state, codes(answer.unmet)) == ("not certified", "under test", ["no-certificate"])
    assert answer.unmet[0].evidence == "r-1"


@pytest.mark.parametrize(
    ("changes", "code", "state", "told"),
    [
        ({"certificate": certificate(lapse="LAPSE-WITHDRAWN")}, "certificate-lapsed", "under test", "not certified"),
        ({"certificate": certificate(age=90)}, "certificate-lapsed", "under test", "not certified"),
        ({"hold": HoldFacts("h-1", "Smells burnt.", NOW)}, "held", "held", "fails"),
        ({"loan": loan(returned=1)}, "not-checked-in", "returned", "not certified"),
        ({"runs": (run("r-2", 1, outs=("PWR-V5",)), run("r-1", 10))}, "out-unexplained", "under test", "fails"),
        ({"runs": (OPEN_WITH_AN_OUT, run("r-1", 10))}, "out-unexplained", "under test", "fails"),
    ],
    ids=["withdrawn", "expired this moment", "held", "not checked in", "out since", "out in an open run"],
)
def test_each_thing_that_takes_fitness_away(changes: dict[str, object], code: str, state: str, told: str) -> None:
    """Each by itself makes a fit board unfit, with its own code, evidence and next step."""
    answer = fitness(but(FIT, **changes), NOW)
    assert (answer.fit, answer.answer, answer.state, answer.until) == (False, told, state, None)
    assert codes(answer.unmet) == [code]
    assert answer.unmet[0].what and answer.unmet[0].evidence and answer.unmet[0].next


def test_all_that_is_unmet_is_told_at_once() -> None:
    """Nobody comes to the desk four times."""
    facts = but(FIT, certificate=certificate(lapse="LAPSE-EXPIRED"), hold=HoldFacts("h-1", "Cracked.", NOW))
    facts = but(facts, loan=loan(returned=1), runs=(run("r-2", 1, outs=("PWR-V5", "OUT-OFF")), run("r-1", 10)))
    told = ["certificate-lapsed", "held", "not-checked-in", "out-unexplained", "out-unexplained"]
    assert codes(fitness(facts, NOW).unmet) == told


def test_a_board_on_loan_stays_fit_and_says_where_it_is() -> None:
    """Certificate validity and loan state are separate axes."""
    answer = fitness(but(FIT, loan=loan()), NOW)
    assert (answer.fit, answer.state) == (True, "on loan")


def test_a_return_that_was_looked_at_is_settled() -> None:
    """A check-in before the return does not count; one after it does."""
    returned = but(FIT, loan=loan(returned=2))
    assert not fitness(but(returned, checked_in_at=NOW - 3 * DAY), NOW).fit
    assert fitness(but(returned, checked_in_at=NOW - DAY), NOW).fit


# --- outs and what explains them ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("clean", "blocked"), [(0, True), (1, True), (2, True), (3, False)])
def test_three_clean_complete_runs_explain_an_out(clean: int, blocked: bool) -> None:
    """No fault found after three complete runs without it; after two it still blocks and says how many are to come."""
    runs = (*(run(f"r-{k + 2}", 1 + k) for k in range(clean)), run("r-1", 10, outs=("PWR-V5",)))
    unmet = unexplained_outs(but(KIT, runs=runs))
    assert bool(unmet) is blocked
    if blocked:
        assert f"{3 - clean} more complete runs" in unmet[0].next


def test_incomplete_runs_explain_nothing() -> None:
    """Three runs with a part missing are no three complete runs."""
    runs = (*(run(f"r-{k + 2}", 1 + k, complete=False) for k in range(3)), run("r-1", 10, outs=("PWR-V5",)))
    assert codes(unexplained_outs(but(KIT, runs=runs))) == ["out-unexplained"]


def test_an_out_that_comes_back_starts_the_count_again() -> None:
    """Pass after fail counts as intermittent."""
    again = run("r-3", 2, outs=("PWR-V5",))
    runs = (run("r-4", 1), again, run("r-2", 3), run("r-1b", 4), run("r-1", 10, outs=("PWR-V5",)))
    unmet = unexplained_outs(but(KIT, runs=runs))
    assert [(item.evidence, item.code) for item in unmet] == [("r-3", "out-unexplained")]


def test_each_test_that_was_out_needs_its_own_explanation() -> None:
    """Two outs of different age are counted apart."""
    runs = (run("r-5", 1), run("r-4", 2), run("r-3", 3, outs=("OUT-OFF",)), run("r-1", 10, outs=("PWR-V5",)))
    unmet = unexplained_outs(but(KIT, runs=runs))
    assert [item.what.split()[0] for item in unmet] == ["OUT-OFF"]


def test_an_out_that_runs_explained_is_recorded_as_no_fault_found() -> None:
    """Named once the third clean run is there, and not for what a repair explains."""
    clean = tuple(run(f"r-{k + 2}", 1 + k) for k in range(3))
    out = run("r-1", 10, outs=("PWR-V5",))
    assert no_fault_found(but(KIT, runs=(*clean, out))) == ("PWR-V5",)
    assert no_fault_found(but(KIT, runs=(*clean[1:], out))) == ()
    assert no_fault_found(but(KIT, runs=(*clean, out), repaired_at=NOW - 5 * DAY)) == ()


def test_a_repair_explains_what_came_before_it_and_nothing_after() -> None:
    """The repair's moment divides the record."""
    runs = (run("r-2", 1, outs=("OUT-OFF",)), run("r-1", 10, outs=("PWR-V5",)))
    assert [item.evidence for item in unexplained_outs(but(KIT, runs=runs, repaired_at=NOW - 5 * DAY))] == ["r-2"]
    assert unexplained_outs(but(KIT, runs=runs, repaired_at=NOW)) == ()


# --- certify -------------------------------------------------------------------------------------------------------

GOOD = Assessment({"PWR-V5": Outcome("PWR-V5", Verdict.IN_LIMITS)}, ())
READY = but(FIT, certificate=None)


def unmet_to_certify(
    facts: BoardFacts = READY,
    name: str | None = "r-1",
    assessment: Assessment | None = GOOD,
    people: frozenset[str] = frozenset({"desk-1"}),
    inspectors: frozenset[str] = frozenset({"insp-1"}),
) -> list[str]:
    return codes(certify.unmet_conditions(facts, name, assessment, POLICY, certify.People(people, inspectors), NOW))


def test_a_complete_closed_run_in_limits_certifies() -> None:
    """The one way to a certificate."""
    assert unmet_to_certify() == []


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"facts": KIT, "name": None, "assessment": None}, "no-bench-evidence"),
        ({"name": "r-9"}, "no-bench-evidence"),
        ({"facts": but(READY, runs=(run("r-1", 10, test_set="plug"),))}, "set-does-not-certify"),
        ({"facts": but(READY, runs=(run("r-1", 10, closed=False),))}, "run-open"),
        ({"assessment": Assessment(GOOD.outcomes, (Need("part-missing", None, "Part 2."),))}, "run-incomplete"),
        ({"assessment": Assessment({"A": Outcome("A", Verdict.OUT, sentence="A is out.")}, ())}, "test-out"),
        ({"assessment": Assessment({"A": Outcome("A", Verdict.MARGINAL, sentence="A is near.")}, ())}, "test-marginal"),
        ({"facts": but(READY, runs=(run("r-1", 31),))}, "run-too-old"),
        ({"facts": but(READY, module=None)}, "module-unbound"),
        ({"facts": but(READY, runs=(dataclasses.replace(run("r-1", 10), modules=("e661", "e662")),))}, "module-differs"),
        ({"inspectors": frozenset({"desk-1"})}, "inspector-not-second-person"),
        ({"facts": but(READY, hold=HoldFacts("h-1", "Cracked.", NOW))}, "held"),
        ({"facts": but(READY, loan=loan())}, "on-loan"),
        ({"facts": but(READY, runs=(run("r-1", 10), run("r-0", 12, outs=("PWR-V5",))))}, "out-unexplained"),
        ({"facts": but(READY, runs=(OPEN_WITH_AN_OUT, run("r-1", 10)))}, "out-unexplained"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_each_condition_keeps_a_certificate_back(given: dict[str, object], code: str) -> None:
    """One change to a run that would certify, one code."""
    assert unmet_to_certify(**given) == [code]


RENEWED = run("r-2", 1, test_set="renewal")
BEFORE = dataclasses.replace(run("r-1", 60), modules=("e661",))
RENEWING = but(FIT, runs=(RENEWED, BEFORE), certificate=certificate(age=60))


def test_a_renewal_carries_a_certificate_after_another_one_of_the_same_module() -> None:
    """In force or just expired: what was certified once is looked at in less time."""
    assert unmet_to_certify(RENEWING, "r-2") == []
    assert unmet_to_certify(but(RENEWING, certificate=certificate(age=100, lapse="LAPSE-EXPIRED")), "r-2") == []


@pytest.mark.parametrize(
    "changes",
    [
        {"certificate": None},
        {"certificate": certificate(age=60, lapse="LAPSE-CHECKIN-FAILED")},
        {"certificate": certificate(age=60, lapse="LAPSE-SHEET")},
        {"module": "e662"},
        {"runs": (RENEWED, dataclasses.replace(BEFORE, modules=("e663",)))},
        {"runs": (RENEWED,)},
        {"repaired_at": NOW - 5 * DAY},
    ],
    ids=["none before", "failed", "other sheet", "other module", "another was certified", "run unknown", "repaired"],
)
def test_what_asks_for_the_full_set(changes: dict[str, object]) -> None:
    """Each by itself; the full set then carries the certificate as ever."""
    assert unmet_to_certify(but(RENEWING, **changes), "r-2") == ["renewal-not-enough"]
    full = but(RENEWING, runs=(run("r-3", 0), BEFORE))
    assert unmet_to_certify(but(full, certificate=changes.get("certificate", full.certificate)), "r-3") == []


# Every lapse there is, and whether a renewal may follow it; what asks for the whole set: doubt, a repair, other parts.
AFTER_LAPSE = {
    None: True, "LAPSE-EXPIRED": True, "LAPSE-CHECKIN-INCOMPLETE": True, "LAPSE-WAIVER": True, "LAPSE-FIRMWARE": True,
    "LAPSE-CHECKIN-FAILED": False, "LAPSE-DEFECT": False, "LAPSE-REPAIR": False, "LAPSE-SHEET": False,
    "LAPSE-MODULE": False, "LAPSE-FIXTURE": False, "LAPSE-RECALL": False, "LAPSE-BENCH": False, "LAPSE-WITHDRAWN": False,
    "LAPSE-FIELD": False,
}  # fmt: skip


@pytest.mark.parametrize(("lapse", "renewable"), AFTER_LAPSE.items())
def test_after_which_lapse_a_renewal_will_do(lapse: str | None, renewable: bool) -> None:
    """The refusal names the lapse and says what to run; the whole set carries a certificate after each of them."""
    facts = but(RENEWING, certificate=certificate(age=60, lapse=lapse))
    found = certify.unmet_conditions(facts, "r-2", GOOD, POLICY, certify.NOBODY, NOW)
    assert codes(found) == ([] if renewable else ["renewal-not-enough"])
    for item in found:
        assert str(lapse) in item.what and "Run the set `full`" in item.next
    assert unmet_to_certify(but(facts, runs=(run("r-3", 0), BEFORE)), "r-3") == []


def test_the_list_of_lapses_is_that_of_the_program() -> None:
    """A code that the program writes somewhere, and nobody decided on above, is found here."""
    written = {code for file in Path(benchworthy.__file__).parent.rglob("*.py") for code in LAPSE.findall(file.read_text())}
    assert written <= set(AFTER_LAPSE), written - set(AFTER_LAPSE)
    assert set(RENEWABLE) == {lapse for lapse, renewable in AFTER_LAPSE.items() if renewable}


@pytest.mark.parametrize(("changes", "why"), [
    ({"life": Life(remark=3)}, "a borrower's remark waits"),
    ({"repaired_at": NOW - 5 * DAY}, "the board was repaired since"),
    ({"module": "e662"}, "another module was certified"),
    ({"certificate": dataclasses.replace(certificate(age=60), waived=("OUT-H1",))}, "let OUT-H1 go"),
])  # fmt: skip
def test_a_renewal_says_why_it_is_not_enough_and_what_to_run(changes: dict[str, object], why: str) -> None:
    """Each in its own words, with the set that is wanted."""
    (found,) = certify.unmet_conditions(but(RENEWING, **changes), "r-2", GOOD, POLICY, certify.NOBODY, NOW)
    assert (found.code, found.evidence, found.next) == ("renewal-not-enough", "r-2", "Run the set `full`.")
    assert why in found.what


def test_a_renewal_carries_on_when_it_shows_what_was_let_go_before() -> None:
    """The test is in limits in this run, so nothing is passed on."""
    before = dataclasses.replace(certificate(age=60), waived=("PWR-V5",))
    assert unmet_to_certify(but(RENEWING, certificate=before), "r-2") == []


def test_everything_that_keeps_a_certificate_back_is_told_at_once() -> None:
    """An old open check-in run of a held board on loan, with a test out and a part missing."""
    bad = Assessment({"A": Outcome("A", Verdict.OUT, sentence="A is out.")}, (Need("part-missing", None, "Part 2."),))
    facts = but(READY, runs=(run("r-1", 31, test_set="plug", closed=False),), hold=HoldFacts("h", "x", NOW), loan=loan())
    assert unmet_to_certify(facts, assessment=bad) == [
        "set-does-not-certify", "run-open", "run-too-old", "run-incomplete", "test-out", "held", "on-loan"
    ]  # fmt: skip


def test_the_run_s_own_out_is_told_once() -> None:
    """As test-out, and not a second time as unexplained."""
    bad = Assessment({"A": Outcome("A", Verdict.OUT, sentence="A is out.")}, ())
    assert unmet_to_certify(but(READY, runs=(run("r-1", 1, outs=("A",)),)), assessment=bad) == ["test-out"]


def signed(stage: int, builder: str = "B1", inspector: str = "insp-1") -> SignOff:
    return SignOff(stage, builder, inspector, NOW - 20 * DAY)


@pytest.mark.parametrize(("people", "built", "two", "alone"), [
    (certify.People(frozenset({"T4"}), frozenset({"I2"}), "T5"), ("B1", "I2"), [], False),
    (certify.People(frozenset({"T4"}), frozenset({"T4"}), "T5"), ("B1", "I2"), ["inspector-not-second-person"], True),
    (certify.People(frozenset({"T4"}), frozenset({"B1"}), "T5"), ("B1", "I2"), ["inspector-not-second-person"], True),
    (certify.People(frozenset({"B1"}), frozenset({"I2"}), "T5"), ("B1", "I2"), ["builder-tested"], True),
    (certify.People(frozenset({"T4"}), frozenset({"I2"}), "B1"), ("B1", "I2"), ["builder-tested"], True),
    (certify.People(frozenset({"T4"}), frozenset({"I2"}), "T5"), ("I9", "I9"), [], True),
])  # fmt: skip
def test_who_may_not_be_the_same_person(people: certify.People, built: tuple[str, str], two: list[str], alone: bool) -> None:
    """Refused in a house of two; nothing is where one person may do it all, and then the certificate says so."""
    facts = but(READY, life=Life(sign_offs=(signed(1, *built),)))
    assert codes(certify.unmet_conditions(facts, "r-1", GOOD, POLICY, people, NOW)) == two
    single = dataclasses.replace(people, one_person=True)
    assert certify.unmet_conditions(facts, "r-1", GOOD, POLICY, single, NOW) == ()
    assert certify.alone(facts.life, single) is alone
    later = but(facts, certificate=certificate(age=60, lapse="LAPSE-EXPIRED"))
    renewed = certify.unmet_conditions(later, "r-1", GOOD, POLICY, people, NOW)
    assert "builder-tested" not in codes(renewed), "only the first certificate asks who tested"


def test_open_stages_keep_a_certificate_back_and_a_waiver_lets_only_its_own_test_go() -> None:
    """Each stage is told; what is let go neither refuses nor hides another out."""
    assert unmet_to_certify(but(READY, open_stages=(3, 4))) == ["stage-not-signed", "stage-not-signed"]
    bad = {name: Outcome(name, Verdict.OUT, sentence=f"{name} is out.") for name in ("A", "B")}
    needs = (Need("test-not-run", "C", "C was not run.", ("C",)), Need("part-missing", None, "Part 2.", ("A", "D")))
    found = Assessment(bad, needs).without(frozenset({"A", "C"}))
    assert [need.what for need in found.needs] == ["Part 2."] and found.waived == {"A", "C"}
    assert unmet_to_certify(assessment=found) == ["run-incomplete", "test-out"]
    assert unmet_to_certify(assessment=Assessment(bad, needs).without(frozenset("ABCD"))) == []


def test_the_run_of_a_stage_says_nothing_of_secrets_on_the_board() -> None:
    """It may leave the files out; the last run that looked at them counts, and one that certified counts though incomplete."""
    due = NOW + 5 * DAY
    part = run("r-9", 1, test_set="stage-3", secrets_absent=False)
    assert lend.unmet_conditions(but(FIT, runs=(part, *FIT.runs)), fitness(FIT, NOW), due, NOW) == ()
    known = but(FIT, runs=(run("r-1", 10, complete=False, secrets_absent=False), run("r-0", 20)))
    assert codes(lend.unmet_conditions(known, fitness(known, NOW), due, NOW)) == ["secrets-on-board"]


WAIVER = WaiverFacts(7, "PWR-V5", "New parts are ordered.", "C1", NOW + DAY)


def test_an_out_that_is_let_go_counts_again_when_the_waiver_ends() -> None:
    """While it stands, the board is fit only by a certificate that names it."""
    facts = but(FIT, runs=(run("r-2", 1, outs=("PWR-V5",)), run("r-1", 10)))
    let_go = but(facts, life=Life(waivers=(WAIVER,)))
    assert codes(fitness(facts, NOW).unmet) == ["out-unexplained"]
    assert codes(fitness(let_go, NOW).unmet) == ["waiver-not-certified"]
    naming = dataclasses.replace(certificate(), waived=("PWR-V5",))
    assert fitness(but(let_go, certificate=naming), NOW).fit
    assert fitness(but(let_go, certificate=naming), NOW).waivers == (WAIVER,)


# --- lend ----------------------------------------------------------------------------------------------------------


def unmet_to_lend(facts: BoardFacts = FIT, due: datetime = NOW + 14 * DAY) -> list[str]:
    return codes(lend.unmet_conditions(facts, fitness(facts, NOW), due, NOW))


def test_a_fit_board_may_go_out() -> None:
    """Until the day its certificate ends."""
    assert unmet_to_lend() == []
    assert unmet_to_lend(due=NOW + 80 * DAY) == []


@pytest.mark.parametrize(
    ("facts", "due", "expected"),
    [
        (KIT, NOW + DAY, ["no-bench-evidence"]),
        (FIT, NOW + 81 * DAY, ["certificate-ends-before-due"]),
        (FIT, NOW, ["due-in-the-past"]),
        (but(FIT, loan=loan()), NOW + DAY, ["on-loan"]),
        (but(FIT, loan=loan(returned=1)), NOW + DAY, ["not-checked-in"]),
        (but(FIT, hold=HoldFacts("h-1", "Cracked.", NOW)), NOW + DAY, ["held"]),
        (but(FIT, runs=(run("r-1", 10, secrets_absent=False),)), NOW + DAY, ["secrets-on-board"]),
        (but(FIT, runs=(run("r-2", 1, complete=False, secrets_absent=False), run("r-1", 10))), NOW + DAY, []),
    ],
    ids=["kit", "certificate too short", "due now", "on loan", "not checked in", "held", "secrets", "secrets, run incomplete"],
)
def test_each_thing_that_keeps_a_board_here(facts: BoardFacts, due: datetime, expected: list[str]) -> None:
    """Lending looks at fitness, the loan, the due date and what the last complete run saw on the board."""
    assert unmet_to_lend(facts, due) == expected


def test_runs_of_a_set_without_the_test_explain_nothing() -> None:
    """A check-in never looks at the lamp, so three of them say nothing of a lamp that was out."""
    smaller = tuple(run(f"r-{k + 2}", 1 + k, test_set="plug") for k in range(3))
    facts = but(KIT, runs=(*smaller, run("r-1", 10, outs=("PWR-V5",))))
    assert [item.code for item in unexplained_outs(facts)] == ["out-unexplained"]
