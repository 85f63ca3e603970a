"""The call of the bench that makes a report of the readings in hand."""

import binascii

from benchworthy_agent import modules


def close(session, number, field_key_hex):
    """Whether the report is made and kept."""
    try:
        # A draft's state ends with the number of its readings.
        if session.draft is None or not session.draft[-1]:
            raise ValueError("no readings")
        # First what asks the board, then what signs: the two never stand in memory together.
        kid, key, head = _head(session.run, number, field_key_hex)
        modules.drop_if_short("head", "fingerprint", "state", "boards")
        token = modules.load("report").Draft(session.draft).close(head, kid, key)
        session.kept[number] = token, key, modules.load("sign").digest(token), session.draft
    except session.FAULTS as error:
        session.tell(number, error=error)
        return False
    session.draft = None
    return True


def _head(run, number, field_key_hex):
    """The key id, the key and the head of the report."""
    kept = modules.load("state").load("state.json")
    if field_key_hex is None:
        kid, key, given = "r." + run["run"], run["key"], (run["run"], run["nonce"], number)
    else:
        kid, key, given = "f.%s.%d" % (run["serial"], kept.epoch), field_key_hex, ()
    board = modules.load("boards.rp2").Board(run["ports"])
    head = modules.load("head").build(board, kept, run["serial"], run["design"], run["plan"], *given)
    return kid, binascii.unhexlify(key), head
