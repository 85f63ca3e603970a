"""May a coordinator withdraw this certificate?"""

from datetime import datetime

from benchworthy.desk.facts import Unmet


def unmet_conditions(certificate: str, lapse: str | None, valid_until: datetime, now: datetime) -> tuple[Unmet, ...]:
    """What is over already cannot be withdrawn: its first reason stays. `lapse` is the one on record."""
    if lapse is not None:
        told = f"Certificate {certificate} has lapsed already ({lapse})."
        return (Unmet("lapsed-already", told, certificate, "Nothing is left to withdraw; its fitness says what is wanting."),)
    if valid_until <= now:
        told = f"Certificate {certificate} was valid until {valid_until:%Y-%m-%d}."
        return (Unmet("lapsed-already", told, certificate, "Nothing is left to withdraw."),)
    return ()
