"""Keeps the reading of a test for the part in hand."""

from benchworthy_agent import modules


def draft(session):
    """The report in the making; a new one in a buffer that is free, if there is one."""
    made = modules.load("report").Draft(session.draft or session.spare)
    if session.draft is None:
        made.clear()
        session.draft, session.spare = made.state, None
    return made


def keep(session, test, kind, content):
    """Put a reading into the report, and say how the test ended."""
    text = None if kind == "steps" else content
    made = draft(session)
    try:
        made.add(test, kind, content)
    except (ValueError, TypeError, MemoryError) as error:
        kind, text = "error", ("%s: %s" % (type(error).__name__, error))[:64]
        try:
            made.add(test, kind, text)
        except ValueError:
            pass  # not even that: the reading is missing from the report, and the bench is told
    modules.drop_if_short("report", "reading", "sign", "bench_reading")
    session.done({"test": test, "kind": kind, "text": text})
