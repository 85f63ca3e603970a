"""The desk's rules walked at random: whatever people do in whatever order, nothing gets out without a certificate in force."""

import dataclasses
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule, run_state_machine_as_test

from benchworthy.designs import catalogue
from benchworthy.desk import certify, defects, holds, lend, missing, repairs, reserve, retirement
from benchworthy.desk.check_in import CheckIn, Circumstances, check_in
from benchworthy.desk.depth import DRAWN_OF, Return, deep_enough, depth
from benchworthy.desk.facts import BoardFacts, CertificateFacts, HoldFacts, LoanFacts, RunSummary, Unmet
from benchworthy.desk.fitness import Fitness, fitness
from benchworthy.desk.lapses import CHECKIN_INCOMPLETE
from benchworthy.desk.life import DefectFacts, Life, RepairFacts, ReservationFacts, RetirementFacts
from benchworthy.desk.states import AWAY, GONE, RULES, Act, State, may, refusal
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment, Need
from benchworthy.judging.tests import Outcome

START = datetime(2026, 3, 2, 9, tzinfo=UTC)
DAY = timedelta(days=1)
SHEET = catalogue.find("tarn-b")
PEOPLE = certify.People(frozenset({"T4"}), frozenset({"I2"}))
EMPTY = BoardFacts("TB001X", "tarn-b", False, None, False, (), None, None, None, None, None)


REACHED: Counter[State] = Counter()
HAPPENED: Counter[str] = Counter()
COUNTED = SHEET.accessories


class Desk(RuleBasedStateMachine):
    """One board and everybody who does something with it. Facts change only by acts that the rules let through."""

    def __init__(self) -> None:
        super().__init__()
        self.now, self.facts, self.count = START, EMPTY, 0
        self.before, self.restorable, self.ended = "", False, set[str]()

    @property
    def fitness(self) -> Fitness:
        return fitness(self.facts, self.now)

    def put(self, **changes: object) -> None:
        self.facts = dataclasses.replace(self.facts, **changes)  # type: ignore[arg-type]

    def live(self, **changes: object) -> None:
        self.put(life=dataclasses.replace(self.facts.life, **changes))  # type: ignore[arg-type]

    def lapse(self, code: str) -> None:
        held = self.facts.certificate
        if held is not None and held.lapse in (None, CHECKIN_INCOMPLETE):
            self.put(certificate=dataclasses.replace(held, lapse=code))
            self.restorable = code == CHECKIN_INCOMPLETE
            if code != CHECKIN_INCOMPLETE:
                self.ended.add(held.id)

    def number(self) -> int:
        self.count += 1
        return self.count

    def allowed(self, act: Act) -> bool:
        return not refusal(act, self.fitness.state, self.facts.serial)

    @initialize()
    def begin(self) -> None:
        assert self.fitness.state is State.KIT and not self.fitness.fit
        self.run_everything_and_try_to_certify()

    @rule(days=st.integers(1, 45))
    def time_passes(self, days: int) -> None:
        self.now += days * DAY

    @precondition(lambda self: self.fitness.state not in GONE | AWAY)
    @rule(name=st.sampled_from(["full", "full", "renewal", "plug", "quick"]), out=st.sampled_from([(), (), (), ("PWR-V5",)]),
          complete=st.sampled_from([True, True, False]))  # fmt: skip
    def test_it(self, name: str, out: tuple[str, ...], complete: bool) -> None:
        self.now += timedelta(minutes=30)
        sound = frozenset({"PWR-V5"} - set(out))
        verdict = Verdict.OUT if out else Verdict.IN_LIMITS
        ended = self.now + timedelta(minutes=20)
        run = RunSummary(f"r-{self.number()}", name, self.now, ended, complete, verdict, out, True, ("e661",), sound)
        self.put(runs=(run, *self.facts.runs), any_evidence=True, module="e661" if complete else self.facts.module)
        self.now = ended

    @precondition(lambda self: self.fitness.state not in GONE | AWAY)
    @rule()
    def run_everything_and_try_to_certify(self) -> None:
        self.test_it("full", (), True)
        self.try_to_certify()

    @precondition(lambda self: self.fitness.state is State.RETURNED)
    @rule()
    def run_and_try_to_check_in(self) -> None:
        assert self.facts.loan is not None and self.facts.loan.asked is not None
        self.test_it(self.facts.loan.asked, (), True)
        self.try_to_check_in()

    @precondition(lambda self: self.fitness.state is State.RETURNED)
    @rule(completed=st.booleans())
    def leave_the_check_in_incomplete(self, completed: bool) -> None:
        self.test_it("full", (), False)
        self.try_to_check_in()
        if completed:
            self.run_and_try_to_check_in()

    @precondition(lambda self: self.fitness.state is State.RETURNED)
    @rule(name=st.sampled_from(["quick", "plug", "renewal"]), out=st.sampled_from([(), ("PWR-V5",)]))
    def try_a_shallower_check_in(self, name: str, out: tuple[str, ...]) -> None:
        self.test_it(name, out, True)
        self.try_to_check_in()

    @precondition(lambda self: self.facts.runs)
    @rule()
    def try_to_certify(self) -> None:
        newest, unmet = self.facts.runs[0], [*refusal(Act.CERTIFY, self.fitness.state, self.facts.serial)]
        assessment = Assessment({}, () if newest.complete else _needs())
        unmet += certify.unmet_conditions(self.facts, newest.id, assessment, SHEET.policy, PEOPLE, self.now)
        if not unmet and not newest.outs:
            until = self.now + SHEET.policy.certificate_days * DAY
            self.put(certificate=CertificateFacts(f"c-{self.number()}", newest.id, self.now, until, None))
            self.restorable = False

    @rule(days=st.integers(-1, 60), borrower=st.sampled_from(["b-1", "b-2"]),
          counted=st.sampled_from([COUNTED, COUNTED, {}, {**COUNTED, "motor": 1}]))  # fmt: skip
    def try_to_lend(self, days: int, borrower: str, counted: Mapping[str, int] = COUNTED) -> None:
        due, before = self.now + days * DAY, self.fitness
        unmet = (*lend.unmet_conditions(self.facts, before, due, self.now),
                 *reserve.kept_for_another(self.facts, borrower, self.now),
                 *lend.uncounted(self.facts.serial, COUNTED, counted))  # fmt: skip
        if unmet:
            assert all(item.code and item.what and item.next for item in unmet)
            return
        held = self.facts.certificate
        assert held is not None and held.lapse is None and held.valid_until >= due > self.now
        assert self.allowed(Act.LEND) and not self.facts.life.defects and self.facts.hold is None
        assert counted == COUNTED
        self.before = self.facts.loan.borrower if self.facts.loan else ""
        self.put(loan=LoanFacts(f"l-{self.number()}", borrower, self.now, due, None))
        self.live(reservation=None)

    @precondition(lambda self: self.fitness.state is State.FIT)
    @rule(lost=st.booleans())
    def lend_for_a_week(self, lost: bool) -> None:
        self.try_to_lend(7, "b-1")
        if lost:
            self.try_to_miss("coordinator")

    @precondition(lambda self: self.fitness.state is State.FIT)
    @rule(remark=st.booleans(), then=st.sampled_from(["made good", "complete", "shallow", "nothing"]))
    def a_loan_takes_its_course(self, remark: bool, then: str) -> None:
        self.try_to_lend(7, "b-1")
        self.time_passes(5)
        if remark and self.facts.on_loan:
            self.a_remark_comes()
        self.try_to_take_back("", False, 0)
        if self.fitness.state is State.RETURNED and then == "made good":
            self.leave_the_check_in_incomplete(True)
        elif self.fitness.state is State.RETURNED and then == "complete":
            self.run_and_try_to_check_in()
        elif self.fitness.state is State.RETURNED and then == "shallow":
            self.try_a_shallower_check_in("quick", ())

    @rule(days=st.integers(-1, 70), borrower=st.sampled_from(["b-1", "b-2"]))
    def try_to_reserve(self, days: int, borrower: str) -> None:
        until = self.now + days * DAY
        if not reserve.unmet_conditions(self.facts, self.fitness.state, until, self.now):
            self.live(reservation=ReservationFacts(self.number(), borrower, until))

    @precondition(lambda self: self.facts.on_loan)
    @rule()
    def a_remark_comes(self) -> None:
        was = self.fitness
        self.live(remark=3)
        assert self.fitness == was

    @precondition(lambda self: self.facts.life.remark_waiting)
    @rule()
    def the_desk_reads_it(self) -> None:
        was = self.fitness
        self.live(remark=None)
        assert self.fitness == was

    @rule(bad=st.sampled_from(["", "", "", "dropped", "wet", "lacking"]), swapped=st.sampled_from([False, False, False, True]),
          draw=st.integers(0, DRAWN_OF - 1))  # fmt: skip
    def try_to_take_back(self, bad: str, swapped: bool, draw: int) -> None:
        if not self.allowed(Act.TAKE_BACK):
            return
        loan = self.facts.loan
        assert loan is not None
        if self.facts.life.missing_since is not None:
            self.put(hold=self.facts.hold or HoldFacts(missing.HOLD, missing.TOLD, self.now))
        if swapped:
            self.lapse("LAPSE-MODULE")
            self.put(hold=self.facts.hold or HoldFacts("LAPSE-MODULE", "Another module.", self.now))
        back = Return(self.facts.life.returns + 1, self.now - loan.lent_at, trusted=self.before == loan.borrower,
                      dropped=bad == "dropped", wet=bad == "wet", accessory_missing=bad == "lacking")  # fmt: skip
        wanted = depth(self.facts, back, draw)
        assert wanted.test_set == "full" or not (bad or swapped or self.facts.life.remark_waiting or back.number == 1)
        self.put(loan=dataclasses.replace(loan, returned_at=self.now, asked=wanted.test_set, reasons=wanted.reasons))
        self.live(missing_since=None, returns=self.facts.life.returns + 1)
        self.restorable = False

    @rule(role=st.sampled_from(["desk", "coordinator"]))
    def try_to_miss(self, role: str) -> None:
        if not missing.unmet_conditions(self.facts, self.fitness.state, role, self.now):
            self.live(missing_since=self.now)

    @rule()
    def try_to_check_in(self) -> None:
        """As the desk does it: a run after the return, as deep as asked unless something is out."""
        loan, held = self.facts.loan, self.facts.certificate
        if self.fitness.state in GONE or not (self.facts.awaits_check_in and self.facts.runs and loan and loan.returned_at):
            return
        run = self.facts.runs[0]
        if run.opened_at < loan.returned_at:
            return
        restorable = self.restorable and held is not None and held.lapse == CHECKIN_INCOMPLETE and held.valid_until > self.now
        in_force = held is not None and held.lapse is None and held.valid_until > self.now
        outcomes = {out: Outcome(out, Verdict.OUT, sentence=f"{out} is out.") for out in run.outs}
        known = Circumstances(run.test_set == "full", self.facts.life.remark_waiting, restorable=restorable,
                              held=self.facts.hold.reason if self.facts.hold else None)  # fmt: skip
        told = check_in(held, in_force, Assessment(outcomes, () if run.complete else _needs()), True, known)
        shallow = not deep_enough(run.test_set, loan.asked or "quick", SHEET.policy)
        if shallow and not (told.outcome == "held" and told.lapse):
            HAPPENED["too shallow"] += 1
            return
        self.settled(told)

    def settled(self, told: CheckIn) -> None:
        HAPPENED[f"{told.outcome} {told.lapse}"] += 1
        if told.lapse:
            self.lapse(told.lapse)
        if told.outcome == "held":
            self.put(hold=self.facts.hold or HoldFacts(told.lapse or "held", told.sentence, self.now))
        if told.restored:
            HAPPENED["restored"] += 1
            assert self.facts.certificate is not None
            self.put(certificate=dataclasses.replace(self.facts.certificate, lapse=None))
            self.restorable = False
        if told.outcome != "returned":
            self.put(checked_in_at=self.now)
        assert told.outcome != "fit kept" or (self.facts.certificate is not None and self.facts.certificate.lapse is None)

    @rule(sure=st.integers(0, 3))
    def try_to_hold(self, sure: int) -> None:
        if sure == 0 and self.allowed(Act.HOLD) and self.facts.hold is None:
            self.put(hold=HoldFacts("held-by-staff", "Smells burnt.", self.now))

    @rule(role=st.sampled_from(["tester", "coordinator"]))
    def try_to_release(self, role: str) -> None:
        if self.allowed(Act.RELEASE) and not holds.unmet_conditions(self.facts, role, "full"):
            self.put(hold=None)

    @rule(sure=st.integers(0, 3))
    def try_to_report_a_defect(self, sure: int) -> None:
        if sure == 0 and self.allowed(Act.DEFECT):
            found = DefectFacts(self.number(), "The jack is loose.", self.now)
            self.live(defects=(*self.facts.life.defects, found))
            self.put(hold=self.facts.hold or HoldFacts("LAPSE-DEFECT", found.seen, self.now))
            self.lapse("LAPSE-DEFECT")

    @precondition(lambda self: self.facts.life.defects)
    @rule()
    def try_to_close_a_defect(self) -> None:
        first, *rest = self.facts.life.defects
        if not defects.unmet_to_close(self.facts, first, SHEET.policy.first_set):
            self.live(defects=tuple(rest))

    @precondition(lambda self: self.facts.life.defects or self.facts.hold)
    @rule(part=st.sampled_from(["D1", "C1", "R17", "R18", "NONE"]))
    def try_to_repair(self, part: str) -> None:
        numbers = [defect.id for defect in self.facts.life.defects]
        life = self.facts.life
        if self.allowed(Act.REPAIR) and not repairs.unmet_conditions("TB001X", part, SHEET.parts, numbers, life):
            done = RepairFacts(part, repairs.stage_of(SHEET.parts[part]), self.now)
            self.live(defects=(), repairs=(*life.repairs, done))
            self.put(repaired_at=self.now)
            self.lapse("LAPSE-REPAIR")

    @precondition(lambda self: self.fitness.state is State.HELD)
    @rule()
    def mend_and_try_to_release(self) -> None:
        self.try_to_repair("D1")
        self.try_to_release("coordinator")

    @rule(role=st.sampled_from(["tester", "coordinator", "coordinator"]), sure=st.integers(0, 9))
    def try_to_retire(self, role: str, sure: int) -> None:
        if sure == 0 and not retirement.unmet_conditions(self.facts, self.fitness.state, role):
            self.live(retired=RetirementFacts("Pads lifted.", True, self.now))

    @invariant()
    def fit_rests_on_evidence(self) -> None:
        """Whenever the answer is fit: a certificate in force, and nothing on record against it."""
        answer, facts = self.fitness, self.facts
        if answer.state in (State.FIT, State.RESERVED):
            assert answer.fit
        if answer.fit:
            held = facts.certificate
            assert held is not None and held.lapse is None and held.valid_until > self.now
            assert any(run.id == held.run and run.complete for run in facts.runs)
            assert facts.hold is None and not facts.life.defects and facts.life.retired is None
            assert not repairs.used_up(facts.serial, facts.life.repairs)

    @invariant()
    def what_ended_for_good_stays_ended(self) -> None:
        """Only an incomplete check-in is ever taken back."""
        held = self.facts.certificate
        assert held is None or held.id not in self.ended or held.lapse not in (None, CHECKIN_INCOMPLETE)

    @invariant()
    def reached(self) -> None:
        REACHED[self.fitness.state] += 1

    @invariant()
    def retired_stays_retired(self) -> None:
        if self.facts.life.retired is not None:
            assert self.fitness.state in GONE
            assert all(refusal(act, self.fitness.state, "TB001X") for act in Act)


def _needs() -> tuple[Need, ...]:
    return (Need("part-missing", None, "Part 2 of the board is missing."),)


WALK = settings(
    max_examples=150, stateful_step_count=50, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)


def test_no_path_leads_out_without_a_certificate_and_none_is_fit_by_being_set() -> None:
    """The walks meet every state after the kit, but two that need a sign-off, or a retirement without spares."""
    REACHED.clear()
    HAPPENED.clear()
    run_state_machine_as_test(Desk, settings=WALK)
    assert set(State) - {State.KIT, State.IN_BUILD, State.RETIRED} <= set(REACHED), REACHED
    wanted = {"fit kept None", "held LAPSE-CHECKIN-FAILED", f"returned {CHECKIN_INCOMPLETE}", "restored", "too shallow"}
    assert wanted <= set(HAPPENED), HAPPENED


def test_the_walk_finds_a_desk_that_lends_without_asking(monkeypatch: pytest.MonkeyPatch) -> None:
    """The guard seen red: with the rule for lending taken out, the walk fails."""
    monkeypatch.setattr(lend, "unmet_conditions", lambda *_: ())
    with pytest.raises(AssertionError):
        run_state_machine_as_test(Desk, settings=settings(WALK, report_multiple_bugs=False, print_blob=False))


@pytest.mark.parametrize("act", Act)
def test_every_refused_act_says_what_would_make_it_possible(act: Act) -> None:
    """In every state that an act does not fit, one unmet condition with a next step; a retired board says it stays so."""
    for state in set(State) - RULES[act].states:
        (told,) = refusal(act, state, "TB001X")
        assert isinstance(told, Unmet) and state in told.what and told.next
        assert state not in GONE or "never used again" in told.next


def test_only_a_fit_or_reserved_board_is_lent_and_no_act_makes_one_fit() -> None:
    """There is no act that sets a state."""
    assert RULES[Act.LEND].states == {State.FIT, State.RESERVED}
    assert not any("fit" in act for act in Act)


def test_a_coordinator_may_everything_and_a_reader_nothing() -> None:
    """Waiving and retiring are the coordinator's alone."""
    assert all(may(act, "coordinator") and not may(act, "reader") for act in Act)
    assert not any(may(act, role) for act in (Act.WAIVE, Act.RETIRE) for role in ("desk", "tester", "inspector"))


def test_a_life_without_entries_says_nothing() -> None:
    """The empty record is the default of every board."""
    assert EMPTY.life == Life()
