"""The call of the bench that makes a report of the readings in hand."""

import binascii

from benchworthy_agent import head, report, sign, state
from benchworthy_agent.boards import rp2


def close(session, number, field_key_hex):
    """Whether the report is made and kept."""
    run = session.run
    try:
        draft = report.Draft(session.draft)
        if not draft.count:
            raise ValueError("no readings")
        kept = state.load("state.json")
        if field_key_hex is None:
            kid, key, given = "r." + run["run"], run["key"], (run["run"], run["nonce"], number)
        else:
            kid, key, given = "f.%s.%d" % (run["serial"], kept.epoch), field_key_hex, ()
        fields = head.build(rp2.Board(run["ports"]), kept, run["serial"], run["design"], run["plan"], *given)
        key = binascii.unhexlify(key)
        token = draft.close(fields, kid, key)
        session.kept[number] = token, key, sign.digest(token), draft.state
    except session.FAULTS as error:
        session.tell(number, error=error)
        return False
    session.draft = None
    return True
