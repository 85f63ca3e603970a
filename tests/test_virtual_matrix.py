"""Faults against tests: what the trade's matrix expects to be out, measured on virtual boards by the real agent.

The matrix (fault, tests that are out with near certainty) was computed by a formula model of the same author as the sheet;
here the same faults are edits of the circuit. Agreement says that two models agree, and nothing about hardware. They do
not in one row: with R11 a hundredfold the lamp's law of the circuit (n = 2) puts LED-VF out, the matrix's 60 mV a decade
does not. Marginal counts as stopped.
"""

from pathlib import Path

import pytest

from benchworthy.designs.sheet import parts_of
from benchworthy.judging.decision import Verdict
from benchworthy.reports.report import Author
from services.virtual_table import SHEET, table

FIXTURES = {test: part.fixtures for part in parts_of(SHEET, "full") if part.author is Author.BOARD for test in part.tests}
# Code in the trade's list, fault as it is written here, tests that are stopped, tests that are not.
MATRIX = [
    ("PE09", "C4=open", "PWR-RIP", "PWR-V5 PWR-V33S"),
    ("PE10", "U2.2-U2.3=bridge", "PWR-V33S", "PWR-V5"),
    ("PE11", "U2.1-U2.3=bridge", "PWR-V33S I2C-IDLE I2C-SCAN", "PWR-V5 PWR-V33M"),
    ("PE12", "U2.1=open", "PWR-V33S", "PWR-V5"),
    ("PE17", "D4=reversed", "", "PWR-V5 PWR-V33S"),
    ("CM01", "R3=1k", "PWR-V5", "PWR-V33S PWR-V33M"),
    ("CM02", "R5=1k", "PWR-V33S SNS-S1 SNS-S2 SNS-S4", "PWR-V5"),
    ("CM11", "BTN-GND=bridge", "KEY-IDLE", "LED-VF"),
    ("CM12", "SW1=worn", "KEY-PRESS", "KEY-IDLE"),
    ("CM13", "SW1=open", "KEY-PRESS", "KEY-IDLE"),
    ("CM14", "R9=open", "KEY-IDLE", "I2C-IDLE"),
    ("CM17", "D6=reversed", "LED-VF", "PWR-V33M"),
    ("CM18", "R11=33k", "LED-VF", "PWR-V33M"),
    ("CM19", "D6=short", "LED-VF", "PWR-V33M"),
    ("CM21", "U4.11=open", "PWR-V33M LED-VF PWR-VMOT SNS-S4", "OUT-H1"),
    ("CM23", "GP16-GP17=bridge", "PWR-V33M PWR-V5 GPIO-WALK LED-VF", "KEY-IDLE"),
    ("CM24", "GP8-GP9=bridge", "GPIO-WALK SV-PULSE", "SNS-S2"),
    ("CM25", "GP9-GND=bridge", "GPIO-WALK SV-PULSE", "SNS-S1"),
    ("CM26", "U3=reversed", "PWR-V33M PWR-V5 PWR-V33S PWR-VMOT", "GPIO-WALK"),
    ("CM29", "U5=noisy", "ADC-NOISE", "PWR-V5"),
    ("CM30", "ANT=detuned", "WIFI-RSSI", ""),
    ("OU03", "U6.3=open", "OUT-H1 OUT-I1 OUT-P1", "OUT-H2 OUT-I2"),
    ("OU06", "U6.14=open", "OUT-H4 OUT-I2 OUT-P2", "OUT-H3 OUT-I1"),
    ("OU07", "OUT1-VMOT=bridge", "OUT-OFF OUT-H1", "OUT-H3"),
    ("OU09", "R30=open", "OUT-I1 OUT-I2 OUT-STALL", "OUT-H1"),
    ("OU13", "J8.1=bent", "OUT-I1 OUT-P1 OUT-STALL OUT-COAST", "OUT-H1 OUT-I2"),
    ("OU14", "J9.2=bent", "OUT-I2 OUT-P2", "OUT-I1"),
    ("OU15", "ENA-V5=bridge", "OUT-P1", "OUT-H3"),
    ("OU17", "R34=2.2k", "OUT-H1", "OUT-H2 OUT-I1"),
    ("OU18", "JP1=open", "PWR-VMOT OUT-H1 OUT-I1 SV-VCC OUT-STALL", "PWR-V5"),
    ("PO01", "R13=open", "I2C-IDLE I2C-RISE I2C-SCAN", "KEY-IDLE"),
    ("PO02", "R14=open", "I2C-IDLE I2C-SCAN", "KEY-IDLE"),
    ("PO03", "R13=47k", "I2C-RISE", "KEY-IDLE"),
    ("PO04", "J3.3-J3.4=bridge", "GPIO-WALK I2C-SCAN", "KEY-IDLE"),
    ("PO05", "SDAH-GND=bridge", "I2C-IDLE I2C-CLEAR I2C-SCAN", "KEY-IDLE"),
    ("PO06", "J3.2=bent", "I2C-SCAN I2C-RW", "I2C-IDLE"),
    ("PO08", "J4.3=bent", "SNS-S1", "SNS-S2 SNS-S3"),
    ("PO09", "J4.2=bent", "SNS-S1", "SNS-S2 SNS-S3"),
    ("PO13", "J5.1=bent", "SNS-S2", "SNS-S1"),
    ("PO14", "J6.3=bent", "SNS-S3", "SNS-S1"),
    ("PO18", "J7.2=bent", "SNS-S4", "SNS-S1"),
    ("PO21", "R21=open", "SNS-OPEN SNS-S1", "SNS-S2"),
    ("PO22", "R23=open", "SNS-OPEN", "SNS-S1"),
    ("PO23", "S1A-GND=47k", "SNS-OPEN SNS-S1", "SNS-S2"),
    ("PO25", "S1H-S2H=bridge", "SNS-OPEN", "SNS-S4"),
    ("PO27", "J10.3=bent", "SV-PULSE", "SV-VCC SV-IDLE"),
    ("PO28", "J10.2=bent", "SV-VCC", "SV-PULSE"),
    ("PO29", "J10.1=bent", "SV-VCC", "SV-PULSE"),
    ("PO30", "J10.2-J10.3=bridge", "SV-IDLE SV-PULSE", "PWR-V5"),
    ("PO31", "R25=33k", "SV-PULSE", "SV-VCC"),
    ("PO32", "R41=open", "SV-IDLE", "SV-PULSE"),
    ("PO33", "F3=8", "SV-VCC", "PWR-VMOT"),
    ("PO35", "F3=open", "SV-VCC", "PWR-VMOT"),
    ("PO36", "C15=reversed", "", "SV-VCC PWR-V5"),
    ("PO37", "GP4-GND=bridge", "GPIO-WALK SV-PULSE", "SV-VCC"),
    ("AC04", "TP-4:PR19=open", "SV-PULSE", "SV-VCC"),
]


@pytest.mark.parametrize(("code", "fault", "out", "sound"), MATRIX, ids=[row[0] for row in MATRIX])
def test_a_fault_is_out_where_the_trade_expects_it(tmp_path: Path, code: str, fault: str, out: str, sound: str) -> None:
    """The tests named, one after the other, each with its own fixtures; the others stay in limits."""
    found = {}
    with table(tmp_path, 4, fault) as broken:
        fitted: tuple[str, ...] = ()
        for test in [test for test in FIXTURES if test in out.split() + sound.split()]:
            for fixture in set(fitted) - set(FIXTURES[test]):
                broken.person.remove(fixture)
            for fixture in FIXTURES[test]:
                broken.person.fit(fixture)
            fitted = FIXTURES[test]
            outcome = broken.during(SHEET.tests[test].action, lambda test=test: broken.outcomes(test))
            found[test] = outcome[test].verdict
    assert {test for test, verdict in found.items() if verdict is not Verdict.IN_LIMITS} == set(out.split()), found
    assert len(found) == len(out.split()) + len(sound.split())
