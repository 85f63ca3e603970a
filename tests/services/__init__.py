"""Real programs that tests run beside the code: started on 127.0.0.1, waited for, stopped by their own id."""

import os
from typing import NoReturn

import pytest


def absent(reason: str) -> NoReturn:
    """Skip the test for want of a program; where CI=true its absence is a failure."""
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)
