"""Brings parts of the agent into memory for one use and lets them go again: a small board holds only what it uses."""

import gc
import sys

_PACKAGE = "benchworthy_agent."
_PLENTY = 65536  # free bytes
_OFTEN = 4096  # bytes taken between two collections


def load(name):
    """The module `name` of this package, such as "procedures.lines"."""
    if _PACKAGE + name not in sys.modules:
        gc.collect()
    try:
        return __import__(_PACKAGE + name, None, None, (name,))
    except Exception:
        # Some versions keep what broke half-way, and would give that the next time.
        _forget(_PACKAGE + name)
        raise


def drop(*names):
    """Forget every module whose name begins so, and collect what it held."""
    for found in list(sys.modules):
        for name in names:
            if found.startswith(_PACKAGE + name):
                _forget(found)
                break
    gc.collect()


def drop_if_short(*names):
    """The same where memory is short; where it is not, what comes next is spared the loading."""
    gc.collect()
    if gc.mem_free() < _PLENTY:
        drop(*names)


def collect_often_if_short():
    """Where memory is short, what stays must not come to lie all over it, between what does not: no large piece is left
    then. Where it is not, measurements are spared the collections.
    """
    gc.collect()
    gc.threshold(_OFTEN if gc.mem_free() < _PLENTY else -1)


def keep(*names):
    """Forget every module but these and this one."""
    for found in list(sys.modules):
        if found.startswith(_PACKAGE) and found[len(_PACKAGE) :] not in names and found != __name__:
            _forget(found)
    gc.collect()


def _forget(found):
    sys.modules.pop(found, None)
    package, _, name = found.rpartition(".")
    holder = sys.modules.get(package)
    # An imported module is an attribute of its package too, and would stay alive there.
    if hasattr(holder, name):
        delattr(holder, name)
