"""What happens at every start of the board, in this order: outputs safe, start counted, then the field if it has one.

A board without `secrets.json` is left to the bench at once. With it the loop of field.py runs until Ctrl-C.
"""

import json

from benchworthy_agent import boards

_STATE, _SECRETS, _SPOOL = "state.json", "secrets.json", "spool"
_LONGEST = 4096  # bytes; with a certificate in it a file of secrets has about 1,500


def run():
    """Never raises: a start that does would keep the bench from mending the board over this very line."""
    try:
        _step(_make_safe)
        kept = _step(_count)
        if kept is not None:
            _step(_serve, kept)
    except KeyboardInterrupt:
        print("start: interrupted; the prompt is the bench's")


def _step(step, *given):
    try:
        return step(*given)
    except Exception as error:
        print("start: %s: %s %s" % (step.__name__, type(error).__name__, error))
        return None


def _make_safe():
    from benchworthy_agent.boards import rp2

    rp2.low(boards.ENABLES)


def _count():
    from benchworthy_agent import state

    kept = state.load(_STATE)
    if kept.flag:
        print("start: state.json is", kept.flag)
    kept.next_boot()
    if kept.flag == "not saved":
        print("start: this start could not be counted")
    return kept


def _serve(kept):
    secrets = _secrets()
    if secrets is None or not secrets.get("mqtt"):
        return
    if not kept.serial or not kept.key:
        print("start: no serial number or no field key in state.json: install the board anew")
        return
    try:
        _field(kept, secrets).run()
    finally:
        _make_safe()


def _field(kept, secrets):
    import binascii

    from benchworthy_agent import field, hands, spool

    waiting = spool.Spool(_SPOOL, binascii.unhexlify(kept.key))
    return field.Field(kept, secrets["mqtt"], waiting, hands.Hands(kept, secrets))


def _secrets():
    """The contents of secrets.json; None if there is none, which is the rule on a board that is lent."""
    try:
        with open(_SECRETS, "rb") as file:
            octets = file.read(_LONGEST)
    except OSError:
        return None
    found = json.loads(octets)
    return found if isinstance(found, dict) else None
