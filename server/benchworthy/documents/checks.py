"""What stands on paper that strangers scan and type: serial numbers, addresses, codes. Checked before it is printed."""

from typing import Final

from stdnum.iso7064 import mod_37_36

from benchworthy.errors import PrintRefused, SerialInvalid

_LONGEST_SERIAL: Final = 24
_LONGEST_ADDRESS: Final = 300
_CODE_LENGTH: Final = 8


def checked_serial(serial: str) -> str:
    """A label with a wrong check character would cost its board the name. Raises SerialInvalid."""
    plain = serial.isascii() and serial.isalnum() and serial == serial.upper() and 3 <= len(serial) <= _LONGEST_SERIAL
    if not (plain and mod_37_36.is_valid(serial)):
        raise SerialInvalid(f"{serial[:40]!r} is no serial number.", given=serial[:40])
    return serial


def checked_address(url: str) -> str:
    """Only an http(s) address goes into a code that strangers scan. Raises PrintRefused."""
    web = url.startswith(("https://", "http://")) and len(url) <= _LONGEST_ADDRESS
    if not (web and url.isascii() and url.isprintable() and " " not in url):
        raise PrintRefused(f"{url[:60]!r} is no web address of at most {_LONGEST_ADDRESS} characters.")
    return url


def checked_code(code: str) -> str:
    """A loan's code: eight letters and digits. Raises PrintRefused, which does not repeat the code."""
    if not (len(code) == _CODE_LENGTH and code.isascii() and code.isalnum()):
        raise PrintRefused(f"A loan's code is {_CODE_LENGTH} letters and digits.")
    return code
