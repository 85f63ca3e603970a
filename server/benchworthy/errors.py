"""Every error that this package raises on purpose, as one tree.

BenchworthyError
├── ReportRefused                 the gate did not let a report in; nothing was stored
│   ├── ReportTooLarge            report-too-large
│   ├── ReportNotAToken           report-not-a-token
│   ├── ReportHeaderRefused       report-header-refused
│   ├── ReportKeyUnknown          report-key-unknown
│   ├── ReportSignatureBad        report-signature-bad
│   ├── ReportNotUtf8             report-not-utf8
│   ├── ReportNotJson             report-not-json
│   ├── ReportDuplicateKey        report-duplicate-key
│   ├── ReportNumberNotFinite     report-number-not-finite
│   ├── ReportSchemaMismatch      report-schema-mismatch
│   ├── ReportForAnother          report-for-another
│   └── ReportReplayed            report-replayed
├── Unknown                       what was asked for does not exist
│   ├── UnknownSerial             unknown-serial
│   ├── UnknownRun                unknown-run
│   ├── UnknownCertificate        unknown-certificate
│   ├── UnknownDesign             unknown-design
│   ├── UnknownBench              unknown-bench
│   ├── UnknownRequest            unknown-request
│   ├── UnknownApproval           unknown-approval
│   ├── UnknownKey                unknown-key
│   ├── UnknownWaiver             unknown-waiver
│   ├── UnknownToken              unknown-token
│   ├── UnknownLoan               unknown-loan
│   ├── UnknownRemark             unknown-remark
│   ├── UnknownCode               unknown-code
│   ├── UnknownFixture            unknown-fixture
│   └── UnknownRecall             unknown-recall
├── Conflict                      the present state does not allow it
│   ├── AlreadyEnrolled           already-enrolled
│   ├── RunClosed                 run-closed
│   ├── DrawRefused               draw-refused
│   ├── AnswerRefused             answer-refused
│   ├── CertificateRefused        certificate-refused
│   ├── LoanRefused               loan-refused
│   ├── ReturnRefused             return-refused
│   ├── CheckInRefused            check-in-refused
│   ├── HoldRefused               hold-refused
│   ├── ActRefused                act-refused
│   ├── RequestRefused            request-refused
│   ├── FirstTokenExists          first-token-exists
│   ├── RestoreRefused            restore-refused
│   ├── RequestInFlight           request-in-flight
│   ├── AlreadyRevoked            already-revoked
│   ├── TicketRefused             ticket-refused
│   ├── KeyInUse                  key-in-use
│   ├── FixtureHeld               fixture-held
│   ├── FixtureRefused            fixture-refused
│   ├── ReferenceRefused          reference-refused
│   ├── PreconditionMissing       precondition-missing
│   ├── PreconditionFailed        precondition-failed
│   ├── LoanOver                  loan-over
│   └── AlreadyRead               already-read
├── Invalid                       the request itself is wrong
│   ├── SerialInvalid             serial-invalid
│   ├── RequestInvalid            request-invalid
│   ├── SheetInvalid              sheet-invalid
│   ├── FaultInvalid              fault-invalid
│   ├── FileUnreadable            file-unreadable
│   ├── PrintRefused              print-refused
│   ├── BackupInvalid             backup-invalid
│   ├── SettingsInvalid           settings-invalid
│   ├── KeyReused                 key-reused
│   └── ImportRefused             import-refused
├── NotAllowed                    who asks may not
│   ├── TokenMissing              token-missing
│   ├── TokenRefused              token-refused
│   ├── RoleRefused               role-refused
│   ├── ScopeRefused              scope-refused
│   ├── TooManyFailures           too-many-failures
│   └── TooManyRemarks            too-many-remarks
├── Unavailable                   try again, or start what is missing
│   ├── StorageBusy               storage-busy
│   │   └── StorageFull           storage-full
│   ├── WriteFailed               write-failed
│   ├── NotReady                  not-ready
│   ├── ListenerAlreadyRuns       listener-already-runs
│   ├── ServiceUnreachable        service-unreachable
│   ├── SpoolBusy                 spool-busy
│   └── PartMissing               part-missing
├── BenchFailure                  the board at the bench did not do its part
│   ├── PortAbsent                port-absent
│   ├── PortBusy                  port-busy
│   ├── PortForbidden             port-forbidden
│   ├── BoardSilent               board-silent
│   │   ├── BoardChattering       board-chattering
│   │   ├── NotMicroPython        not-micropython
│   │   └── BoardRestarting       board-restarting
│   ├── BoardLost                 board-lost
│   ├── BoardFaulted              board-faulted
│   ├── BoardGarbled              board-garbled
│   ├── BoardAnother              board-another
│   ├── SheetDiffers              sheet-differs
│   ├── NoAnswer                  no-answer
│   ├── InstallFailed             install-failed
│   ├── NoTicket                  no-ticket
│   └── ReceiptMissing            receipt-missing
├── TokenInvalid                  token-invalid: a certificate or status list that cannot be trusted
├── ClockImplausible              clock-implausible
└── CircuitUnsolved               circuit-unsolved

Each class has a stable `code`, used alike by HTTP answers, the command line and the listener's log. `detail` says what was
wrong, `advice` what to do next, and `facts` carries the values a program may want to read.
"""

from collections.abc import Mapping
from typing import Any, ClassVar


class BenchworthyError(Exception):
    """Base of all errors raised on purpose: a code, what was wrong, what to do, and the facts."""

    code: ClassVar[str] = "error"
    advice: ClassVar[str] = ""

    def __init__(self, detail: str, **facts: Any) -> None:
        super().__init__(detail)
        self.detail = detail
        self.facts: Mapping[str, Any] = facts

    def __str__(self) -> str:
        return f"{self.detail} {self.advice}".strip()


class ReportRefused(BenchworthyError):
    """A report that the gate does not let in. Nothing of it is stored as evidence."""


class ReportTooLarge(ReportRefused):
    code = "report-too-large"
    advice = "A report is at most 4096 bytes; send the readings in several parts."


class ReportNotAToken(ReportRefused):
    code = "report-not-a-token"
    advice = "Send one JWS in compact form (RFC 7515): three base64url parts joined by dots, without padding."


class ReportHeaderRefused(ReportRefused):
    code = "report-header-refused"
    advice = "The protected header holds alg, typ and kid and nothing else; typ is benchworthy-report."


class ReportKeyUnknown(ReportRefused):
    code = "report-key-unknown"
    advice = "Enrol the board or the bench first, or open the run again: its key may be superseded or revoked."


class ReportSignatureBad(ReportRefused):
    code = "report-signature-bad"
    advice = "The bytes are not what the key holder signed. Write the field key again or repeat the part."


class ReportNotUtf8(ReportRefused):
    code = "report-not-utf8"
    advice = "The payload is UTF-8 JSON."


class ReportNotJson(ReportRefused):
    code = "report-not-json"
    advice = "The payload is one JSON object, at most eight levels deep."


class ReportDuplicateKey(ReportRefused):
    code = "report-duplicate-key"
    advice = "Each name may stand once in a JSON object."


class ReportNumberNotFinite(ReportRefused):
    code = "report-number-not-finite"
    advice = "NaN and Infinity are no JSON and no reading; report the test as not_run or error."


class ReportSchemaMismatch(ReportRefused):
    code = "report-schema-mismatch"
    advice = "The report's schema stands in docs/reference/report.md."


class ReportForAnother(ReportRefused):
    code = "report-for-another"
    advice = "Topic, key and payload must name the same board."


class ReportReplayed(ReportRefused):
    code = "report-replayed"
    advice = "The part does not carry this run's nonce: it was made for another run. Repeat the part in this run."


class Unknown(BenchworthyError):
    """What was asked for does not exist."""


class UnknownSerial(Unknown):
    code = "unknown-serial"
    advice = "Check the label; a board is enrolled with POST /api/v1/boards or `benchworthy enrol`."


class UnknownRun(Unknown):
    code = "unknown-run"
    advice = "Open a run with POST /api/v1/boards/{serial}/runs."


class UnknownCertificate(Unknown):
    code = "unknown-certificate"
    advice = "Check the id on the label or page."


class UnknownDesign(Unknown):
    code = "unknown-design"
    advice = "Designs are listed by `benchworthy design list`; a design's name is id-revision in lower case."


class UnknownBench(Unknown):
    code = "unknown-bench"
    advice = "Register the bench's public key with POST /api/v1/benches."


class UnknownRequest(Unknown):
    code = "unknown-request"
    advice = "Requests to a board are numbered by POST /api/v1/boards/{serial}/requests; its Location names the number."


class UnknownApproval(Unknown):
    code = "unknown-approval"
    advice = "GET /api/v1/approved-firmware lists what was approved, by number."


class UnknownKey(Unknown):
    code = "unknown-key"
    advice = "`benchworthy key list` names the site's keys by thumbprint."


class UnknownWaiver(Unknown):
    code = "unknown-waiver"
    advice = "Look at GET /api/v1/boards/{serial}/waivers."


class UnknownToken(Unknown):
    code = "unknown-token"
    advice = "Tokens are named by the first twelve characters of their fingerprint; GET /api/v1/tokens lists them."


class UnknownLoan(Unknown):
    code = "unknown-loan"
    advice = "Loans are named by the answer to POST /api/v1/boards/{serial}/loans; GET /api/v1/loans lists them."


class UnknownRemark(Unknown):
    code = "unknown-remark"
    advice = "Remarks are numbered; GET /api/v1/boards/{serial}/remarks lists them."


class UnknownCode(Unknown):
    code = "unknown-code"
    advice = "Copy the eight characters from the slip that came with the board; the code ends when the board is back."


class UnknownFixture(Unknown):
    code = "unknown-fixture"
    advice = "Enrol it with POST /api/v1/fixtures; a run names it as kind:serial, such as TP-4:TP4-0007."


class UnknownRecall(Unknown):
    code = "unknown-recall"
    advice = "GET /api/v1/designs says which designs are recalled; a coordinator recalls one with POST .../recall."


class Conflict(BenchworthyError):
    """The present state does not allow what was asked."""


class AlreadyEnrolled(Conflict):
    code = "already-enrolled"
    advice = "A serial number and an inventory_ref are given once and never reused."


class RunClosed(Conflict):
    code = "run-closed"
    advice = "A closed run is frozen; open a new one."


class DrawRefused(Conflict):
    code = "draw-refused"
    advice = "A test is drawn once more only after a wrong answer, and only once in a run."


class AnswerRefused(Conflict):
    code = "answer-refused"
    advice = "Answer the tests of the run's set whose author you are, each draw once."


class CertificateRefused(Conflict):
    code = "certificate-refused"
    advice = "Each unmet condition says what to do next."


class LoanRefused(Conflict):
    code = "loan-refused"
    advice = "Each unmet condition says what to do next."


class ReturnRefused(Conflict):
    code = "return-refused"
    advice = "Only a board on loan is returned, with its own label scanned."


class CheckInRefused(Conflict):
    code = "check-in-refused"
    advice = "A returned board is checked in on a run opened after its return, of the set that the return asked for or deeper."


class HoldRefused(Conflict):
    code = "hold-refused"
    advice = "A board is held once at a time."


class ActRefused(Conflict):
    code = "act-refused"
    advice = "Each unmet condition says what would make it possible."


class RequestRefused(Conflict):
    code = "request-refused"
    advice = "A board in the field is reached over a broker: set BENCHWORTHY_MQTT, or find it at a bench."


class FirstTokenExists(Conflict):
    code = "first-token-exists"
    advice = "The first token is made once, while there is none; ask a coordinator for another."


class RestoreRefused(Conflict):
    code = "restore-refused"
    advice = "Restore into a directory that is empty or not there yet, and an empty database; nothing was changed."


class RequestInFlight(Conflict):
    code = "request-in-flight"
    advice = "Wait as long as Retry-After says, then send the same request with the same Idempotency-Key again."


class AlreadyRevoked(Conflict):
    code = "already-revoked"
    advice = "What is revoked stays revoked; make a new token, or register a new key."


class TicketRefused(Conflict):
    code = "ticket-refused"
    advice = "Each unmet condition says what to do next."


class KeyInUse(Conflict):
    code = "key-in-use"
    advice = "Run `benchworthy key rotate` first; then withdraw the key that it replaced."


class FixtureHeld(Conflict):
    code = "fixture-held"
    advice = "Take another fixture; a held one runs only on a reference board, until a good check lets it be released."


class FixtureRefused(Conflict):
    code = "fixture-refused"
    advice = "Each unmet condition says what would make it possible."


class ReferenceRefused(Conflict):
    code = "reference-refused"
    advice = "Each unmet condition says what would make it possible."


class PreconditionMissing(Conflict):
    code = "precondition-missing"
    advice = "Read the board first and send the ETag of that answer as If-Match."


class PreconditionFailed(Conflict):
    code = "precondition-failed"
    advice = "Somebody else changed it meanwhile: read it again, look at what changed, then send the new ETag as If-Match."


class LoanOver(Conflict):
    code = "loan-over"
    advice = "A slip belongs to a loan that lasts; lend the board again to print another."


class AlreadyRead(Conflict):
    code = "already-read"
    advice = "A remark is settled once; report a defect when something is wrong with the board."


class Invalid(BenchworthyError):
    """The request itself is wrong."""


class SerialInvalid(Invalid):
    code = "serial-invalid"
    advice = "A serial number is letters and digits with an ISO/IEC 7064 MOD 37,36 check character; scan the label again."


class RequestInvalid(Invalid):
    code = "request-invalid"
    advice = "The fields at fault are named in `errors`."


class SheetInvalid(Invalid):
    code = "sheet-invalid"
    advice = "Mend the sheet at the lines named and run `benchworthy design check` again."


class FaultInvalid(Invalid):
    code = "fault-invalid"
    advice = "A fault is written R17=open, R17=short, R17=100k, D6=reversed, U2.1-U2.2=bridge, J4.2=bent or GP10-GP11=bridge."


class FileUnreadable(Invalid):
    code = "file-unreadable"
    advice = "Check the file's name; fetch it again from where it came."


class PrintRefused(Invalid):
    code = "print-refused"
    advice = "Nothing was printed. Mend what is named: a shorter text, a larger label, a place that the sheet has."


class BackupInvalid(Invalid):
    code = "backup-invalid"
    advice = "Nothing was restored. Take another backup, or install the version of the package that made this one."


class SettingsInvalid(Invalid):
    code = "settings-invalid"
    advice = "Settings are listed in docs/reference/settings.md."


class KeyReused(Invalid):
    code = "key-reused"
    advice = "An Idempotency-Key belongs to one request; take a new one for another."


class ImportRefused(Invalid):
    code = "import-refused"
    advice = "Nothing was enrolled. Mend the lines named in `errors` and send the whole file again, first with dry_run=true."


class NotAllowed(BenchworthyError):
    """Who asks may not."""


class TokenMissing(NotAllowed):
    code = "token-missing"
    advice = "Send `Authorization: Bearer SECRET`; `benchworthy token create` makes one, and commands read BENCHWORTHY_TOKEN."


class TokenRefused(NotAllowed):
    code = "token-refused"
    advice = "The token is unknown, expired or revoked; ask a coordinator for a new one."


class RoleRefused(NotAllowed):
    code = "role-refused"
    advice = "Ask somebody whose role allows it."


class ScopeRefused(NotAllowed):
    code = "scope-refused"
    advice = "Use a token of another scope; a coordinator makes one with `benchworthy token create --scope`."


class TooManyFailures(NotAllowed):
    code = "too-many-failures"
    advice = "Wait as long as Retry-After says; then send a token or a code that is valid."


class TooManyRemarks(NotAllowed):
    code = "too-many-remarks"
    advice = "Wait as long as Retry-After says, or tell the desk."


class Unavailable(BenchworthyError):
    """Something that is needed is not there just now."""


class StorageBusy(Unavailable):
    """The database takes no write just now."""

    code = "storage-busy"
    advice = "Another write holds the database; try again in a second."


class StorageFull(StorageBusy):
    code = "storage-full"
    advice = "Nothing was stored. Make room where the data directory lies; what was refused may be sent again."


class WriteFailed(Unavailable):
    code = "write-failed"
    advice = "Nothing was left behind. Mend what is named and run it again."


class NotReady(Unavailable):
    code = "not-ready"
    advice = "`serve` starts a part again by itself; when that does not help, its log says why."


class ListenerAlreadyRuns(Unavailable):
    code = "listener-already-runs"
    advice = "One listener serves a site. Stop the other one, or wait until its lease ends."


class ServiceUnreachable(Unavailable):
    code = "service-unreachable"
    advice = "Start it with `benchworthy serve`, or check BENCHWORTHY_URL."


class SpoolBusy(Unavailable):
    code = "spool-busy"
    advice = "Another `bench deliver` is at work in this folder; wait until it has ended."


class PartMissing(Unavailable):
    code = "part-missing"
    advice = "Install what is named and run the command again."


class BenchFailure(BenchworthyError):
    """The board at the bench did not do its part; only this board's run is affected."""


class PortAbsent(BenchFailure):
    code = "port-absent"
    advice = "Plug the board in, try another USB cable (some only charge), and name the port that appeared."


class PortBusy(BenchFailure):
    code = "port-busy"
    advice = "Another program holds the port; close it. Right after plugging in, wait fifteen seconds."


class PortForbidden(BenchFailure):
    code = "port-forbidden"
    advice = "Join the group that owns the port (often dialout), then log in again."


class BoardSilent(BenchFailure):
    code = "board-silent"
    advice = "Press the board's reset, then repeat. If it stays silent, the module may lack MicroPython."


class BoardChattering(BoardSilent):
    code = "board-chattering"
    advice = "Its program prints without end and ignores Ctrl-C: unplug it, wait five seconds, plug it in, repeat at once."


class NotMicroPython(BoardSilent):
    code = "not-micropython"
    advice = "Something else answers on this port: check that it is the board, then put MicroPython on the module again."


class BoardRestarting(BoardSilent):
    code = "board-restarting"
    advice = "It starts again and again: try another cable and the jack, then look at the supply; a watchdog needs a power cycle."


class BoardLost(BenchFailure):
    code = "board-lost"
    advice = "The port went away in the middle: check the cable and the supply, then repeat the part."


class BoardFaulted(BenchFailure):
    code = "board-faulted"
    advice = "The agent raised an error; install the agent again and repeat the part."


class BoardGarbled(BenchFailure):
    code = "board-garbled"
    advice = "Bytes get lost on the way: another cable, no hub between, another port; then repeat. Else reseat the USB bridge."


class BoardAnother(BenchFailure):
    code = "board-another"
    advice = "Another board is plugged in than the one asked for: compare the label, and look with `benchworthy bench ports`."


class SheetDiffers(BenchFailure):
    code = "sheet-differs"
    advice = "Install the same version of Benchworthy at the bench and on the service."


class NoAnswer(BenchFailure):
    code = "no-answer"
    advice = "Start the command again, with somebody at the keyboard or the scanner."


class InstallFailed(BenchFailure):
    code = "install-failed"
    advice = "Run the command again; what is on the board is not sent twice. If it fails alike, free its flash."


class NoTicket(BenchFailure):
    code = "no-ticket"
    advice = "Fetch some while the service can be reached: `benchworthy bench tickets fetch --set SET --design DESIGN`."


class ReceiptMissing(BenchFailure):
    code = "receipt-missing"
    advice = "The report was sent and no receipt came: check the listener, and the broker's access list for this board."


class TokenInvalid(BenchworthyError):
    code = "token-invalid"
    advice = "Fetch the certificate and the keys again from the service that issued them."


class ClockImplausible(BenchworthyError):
    code = "clock-implausible"
    advice = "Set the server's clock; no certificate is issued before the package's release date or the last ledger entry."


class CircuitUnsolved(BenchworthyError):
    code = "circuit-unsolved"
    advice = "The circuit has no steady state that the solver finds; look at the fault that was injected."
