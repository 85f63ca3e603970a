"""The label on a carrier: letters and digits with an ISO/IEC 7064 MOD 37,36 check character."""

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_37_36

from benchworthy.errors import SerialInvalid

MAX_LENGTH = 24


def parse(text: str) -> str:
    """Return the serial number in its one form (upper case, no spaces or dashes). Raises SerialInvalid."""
    compact = text.strip().replace("-", "").replace(" ", "").upper()
    if not (3 <= len(compact) <= MAX_LENGTH and compact.isascii() and compact.isalnum()):
        raise SerialInvalid(f"{text[:40]!r} is no serial number.", given=text[:40])
    try:
        return str(mod_37_36.validate(compact))
    except ValidationError as fault:
        raise SerialInvalid(f"The check character of {compact} does not fit.", given=compact) from fault


def complete(body: str) -> str:
    """Append the check character to a body of letters and digits."""
    compact = body.upper()
    return compact + str(mod_37_36.calc_check_digit(compact))
