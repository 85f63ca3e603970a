"""A run at the service that outlives the service: once it cannot be reached, the rest of the run goes to the spool."""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchworthy.bench import spool
from benchworthy.bench.offline import NOT_JUDGED, receipt_for
from benchworthy.bench.run import RESENDS, RunService
from benchworthy.bench.spool import Spool
from benchworthy.errors import ServiceUnreachable


class SurvivingRuns:
    """The service (`run.RunService`) for one run, and the disk in its place from the moment it stays away."""

    def __init__(self, service: RunService, waiting: Spool, say: Callable[[str], None]) -> None:
        self._service, self._spool, self._say = service, waiting, say
        self._opened: dict[str, Any] = {}
        self._misses = 0
        self.away = False

    def open_run(self, serial: str, test_set: str, bench: str, fixtures: Sequence[str], scanned: str) -> dict[str, Any]:
        """Open a run at the service; without it there is none to survive."""
        self._opened = self._service.open_run(serial, test_set, bench, fixtures, scanned)
        return self._opened

    def end(self) -> None:
        """Nothing more comes: what was put on disk may be delivered."""
        if self._opened:
            self._spool.end(str(self._opened["run"]))

    def send_report(self, token: bytes) -> dict[str, Any]:
        """The service's receipt, or the bench's own once the report is on disk."""
        return self._either(lambda: self._service.send_report(token), lambda: self._keep(token))

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        """Hand in answers, or put them on disk."""
        return self._either(lambda: self._service.answer(run, body), lambda: self._put(run, body))

    def draw(self, run: str, test: str) -> dict[str, Any]:
        """Only the service draws once more."""
        return self._service.draw(run, test)

    def get_run(self, run: str) -> dict[str, Any]:
        """The run as judged so far; away from the service it is not, and nothing more is asked for."""
        return self._either(lambda: self._service.get_run(run), lambda: self._unjudged(run))

    def _either(self, ask: Callable[[], dict[str, Any]], instead: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Asked some times over, as everything here counts once; then the service is given up for the rest of the run."""
        while not self.away:
            try:
                answer = ask()
            except ServiceUnreachable as fault:
                self._misses += 1
                if self._misses < RESENDS:
                    continue
                self._give_up(fault)
            else:
                self._misses = 0
                return answer
        return instead()

    def _give_up(self, fault: ServiceUnreachable) -> None:
        self.away = True
        self._spool.begin(str(self._opened["run"]))
        self._say(f"THE SERVICE CANNOT BE REACHED ANY MORE: {fault.detail}")
        self._say("The rest of this run is kept here: measured, not judged; `benchworthy bench deliver` hands it in.")

    def _keep(self, token: bytes) -> dict[str, Any]:
        self._spool.add(str(self._opened["run"]), spool.REPORT, token)
        return receipt_for(token, str(self._opened["key"]))

    def _put(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        self._spool.add(run, spool.ANSWER, json.dumps(dict(body)).encode())
        return self._unjudged(run)

    def _unjudged(self, run: str) -> dict[str, Any]:
        return {"run": run, "verdict": NOT_JUDGED, "complete": False, "still_needed": []}
