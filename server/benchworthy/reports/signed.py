"""The words in what the service signs, shared by those who sign and those who verify."""

from typing import Final

CERTIFICATE_TYPE: Final = "benchworthy-certificate"
STATUS_LIST_TYPE: Final = "benchworthy-status-list"
TICKET_TYPE: Final = "benchworthy-ticket"
IN_FORCE: Final = "in-force"
