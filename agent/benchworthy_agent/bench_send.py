"""The calls of the bench that send reports and take receipts."""

from benchworthy_agent import modules

_ANSWER_S = 5  # no heartbeat comes while the link waits, and the bench gives up after ten silent seconds
_JOIN_MS = 6000


def again(session, number, link):
    """Send part `number`, and say how it stands."""
    if number not in session.kept:
        session.tell(number, error="nothing kept")
        return
    digest, error, settled = session.kept[number][2], None, {}
    try:
        error = _by_mqtt(session, number, settled) if link == "mqtt" else _by_serial(session, number)
    except session.FAULTS as fault:
        error = fault
    verdict = settled.pop(number, (None, None))[1]
    _tell(session, settled)
    session.tell(number, digest, verdict, None if verdict else error)


def receipt(session, text):
    settled = {}
    _settle(session, text, settled)
    if not settled:
        session.tell(None, error="no token for this receipt")
    _tell(session, settled)


def _tell(session, settled):
    for number in sorted(settled):
        session.tell(number, *settled[number])


def _settle(session, text, settled):
    """Drop the token that a receipt names, whichever it is, if the receipt's code is right."""
    for number in sorted(session.kept):
        _, key, digest, state = session.kept[number]
        verdict = modules.load("receipt").check(text, digest, key)
        if verdict is not None:
            del session.kept[number]
            session.spare = state
            settled[number] = digest, verdict


def _by_serial(session, number):
    print(modules.load("link.frames").frame(bytes(session.kept[number][0])), end="")


def _by_mqtt(session, number, settled):
    run, token = session.run, session.kept[number][0]
    if run["mqtt"] is None:
        raise ValueError("no broker in the context")
    session.heartbeat()
    if run["wifi"] and "wifi" not in (run["absent"] or ()):
        modules.load("link.radio").join(run["wifi"], _JOIN_MS)
        modules.drop_if_short("link.radio")
        session.heartbeat()
    from benchworthy_agent.link import post

    link = post.Post(run["mqtt"], run["serial"], lambda text: _settle(session, text, settled), timeout_s=_ANSWER_S)
    try:
        link.open()
        return None if link.send(token, lambda: number in settled, session.heartbeat) else post.NO_RECEIPT
    finally:
        link.close()
