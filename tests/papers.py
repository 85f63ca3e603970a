"""What tests of printed documents share: a certificate to print, and independent readers of what was printed."""

import hashlib
import io
import json
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pypdf
import pypdfium2
import zxingcpp
from joserfc.jwk import OKPKey

from benchworthy.documents.certificate import CertificateCopy
from benchworthy.judging.decision import RULE
from benchworthy.keys.signer import SiteSigner
from benchworthy.reports.signed import CERTIFICATE_TYPE

ISSUED = datetime(2026, 11, 25, 14, 30, tzinfo=UTC)
UNTIL = ISSUED + timedelta(days=90)
ADDRESS = "https://boards.example.org/c/c-0123456789abcdef0123"
SERIAL = "KM00010O"
# The key pair of RFC 8037, appendix A.1.
SIGNER = SiteSigner(
    OKPKey.import_key(
        {
            "kty": "OKP",
            "crv": "Ed25519",
            "d": "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",
            "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
        }
    )
)


def quantity(name: str, value: str, expanded: str, **changes: Any) -> dict[str, Any]:
    """One quantity as the results document holds it."""
    plain = {"name": name, "value": value, "unit": "V", "low": 4.8, "high": 5.2, "source": "S9, a regulator's data sheet"}
    judged = {"expanded_uncertainty": expanded, "coverage_factor": 2, "conformity": 0.987654, "verdict": "in limits"}
    return {**plain, **judged, **changes}


def test_entry(test: str, title: str, *quantities: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """One test as the results document holds it."""
    plain = {"test": test, "title": title, "author": "board", "verdict": "in limits", "conditions": ["jack", "usb"], "remark": ""}
    return {**plain, "quantities": list(quantities), **changes}


test_entry.__test__ = False  # type: ignore[attr-defined]  # it only sounds like a test


def document(*results: dict[str, Any], virtual: bool = False, **changes: Any) -> dict[str, Any]:
    """A results document of the form that the service writes."""
    told = results or (
        test_entry("PWR-V5", "Supply V5", quantity("V5", "4.987654", "0.078")),
        test_entry("VIS-INSP", "Visual inspection, both sides", author="inspector", conditions=[]),
    )
    plain = {
        "title": "Certificate of fitness to lend: results",
        "id": "c-0123456789abcdef0123",
        "place": "kettlebrook",
        "notice": "The results relate only to this board as tested.",
        "item": {
            "serial": SERIAL,
            "design": "Tarn rev B",
            "module": "e6614c775b7d4a2e",
            "kit_lot": "2026-10",
            "virtual": virtual,
        },
        "method": {
            "sheet": "tarn-b",
            "judging": "a1" * 16,
            "guide": "b2" * 16,
            "set": "first",
            "coverage": "24 of the 62 tests of the catalogue",
            "agent": "c3" * 16,
            "agent_version": "0.1.0",
        },
        "rule": {"name": "BW-1", "text": RULE},
        "dates": {
            "opened": "2026-11-25T13:00:00+00:00",
            "closed": "2026-11-25T13:30:00+00:00",
            "issued": ISSUED.isoformat(),
            "valid_until": UNTIL.isoformat(),
        },
        "people": {"opened": "T4", "authorised": "T7", "answered": {"VIS-INSP": "I2", "LED-SEE": "T4"}},
        "bench": "bench-1",
        "fixtures": ["TP4-0007", "M1-0002"],
        "run": "r-0123456789abcdef",
        "no_fault_found": [],
        "evidence": [{"digest": f"{number:032x}", "author": "board", "part": number, "arrival": "serial"} for number in (1, 2)],
        "results": list(told),
        "end": "End of the results.",
    }
    return plain | changes


def printed(results: dict[str, Any], **claims: Any) -> CertificateCopy:
    """What the printer gets: the document as text, and a token that names it."""
    text = json.dumps(results, indent=1, sort_keys=True)
    named = {
        "id": results["id"],
        "serial": results["item"]["serial"],
        "module": results["item"]["module"],
        "design": "tarn-b",
        "judging": results["method"]["judging"],
        "run": results["run"],
        "results": hashlib.sha256(text.encode()).hexdigest(),
        "rule": "BW-1",
        "iat": int(ISSUED.timestamp()),
        "exp": int(UNTIL.timestamp()),
        "site": results["place"],
        "ledger": "d4" * 32,
    }
    return CertificateCopy(SIGNER.sign(CERTIFICATE_TYPE, named | claims), text, ADDRESS)


def seen_codes(pdf: bytes, dots_per_inch: int = 300) -> list[list[str]]:
    """What a scanner (zxing) reads on each page as drawn by another program (PDFium).

    Told to read QR codes: looking for every kind, it was once seen to take a row of squares in a token for a bar code.
    """
    with pypdfium2.PdfDocument(pdf) as opened:
        pictures = [page.render(scale=dots_per_inch / 72).to_pil().convert("L") for page in opened]
    return [
        sorted(found.text for found in zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode))
        for picture in pictures
    ]


def seen_text(pdf: bytes, *options: str) -> str:
    """What pdftotext (poppler) reads, lines and spaces made one space."""
    done = subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, timeout=60, check=True)
    return " ".join(done.stdout.decode().split())


def pages_text(pdf: bytes) -> list[str]:
    """What pypdf reads on each page."""
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def attachments(pdf: bytes) -> dict[str, bytes]:
    return {name: contents[0] for name, contents in pypdf.PdfReader(io.BytesIO(pdf)).attachments.items()}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a piece of text stands, in millimetres from the top left corner."""

    left: float
    top: float
    right: float
    bottom: float


def spots(pdf: bytes, page: int = 0) -> Sequence[Spot]:
    """Every stretch of text on a page as PDFium sees it."""
    with pypdfium2.PdfDocument(pdf) as opened:
        text = opened[page].get_textpage()
        high = opened[page].get_height()
        found = [text.get_rect(number) for number in range(text.count_rects())]
    per_point = 25.4 / 72
    return [Spot(a * per_point, (high - d) * per_point, c * per_point, (high - b) * per_point) for a, b, c, d in found]
