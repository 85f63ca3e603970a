"""A virtual board ends with the process that owns it, also when that one is killed."""

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from services.micropython import interpreter

OWNER = """
import sys, time
from pathlib import Path
from benchworthy.designs import catalogue
from benchworthy.virtual.board import VirtualBoard
sheet = catalogue.find("tarn-b")
board = VirtualBoard(sheet.parts, sheet.conditions, sheet.fixtures, None, "e661410300000000", "KM0001C", Path(sys.argv[1]))
board.hands.attach("jack")
with board:
    print(board._process.pid, flush=True)
    time.sleep(60)
"""


def alive(pid: int) -> bool:
    """Whether the process still runs; one that waits to be collected by its parent does not."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


@pytest.mark.skipif(shutil.which("setpriv") is None, reason="no setpriv of util-linux on this machine")
def test_a_board_whose_owner_was_killed_is_ended(tmp_path: Path) -> None:
    """Else its interpreter would read a hung-up port for ever, at full load."""
    interpreter()
    owner = subprocess.Popen([sys.executable, "-c", OWNER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert owner.stdout is not None
    board = int(owner.stdout.readline())
    assert alive(board)
    owner.kill()
    owner.wait(10)
    owner.stdout.close()
    deadline = time.monotonic() + 10
    while alive(board) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not alive(board)
