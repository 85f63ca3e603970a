"""Reports that wait for their receipts, one small file each, so that a power cut loses none of them.

A report is written beside its place (.new) and renamed, and removed after a receipt whose mac is right; nothing else is
ever written. What can go wrong, and what becomes of it:

- power lost while writing: at the next start a whole .new file takes its place, a half one is removed, as its report
  was not yet promised to anybody;
- power lost between receipt and removal: the same bytes go out again, and the service answers with the same receipt;
- no receipt, or a wrong one: the report stays, the others are sent all the same, and all go out again later;
- full: nothing new is put, what is oldest is kept;
- a file whose signature is not right under the present key (damaged, or signed under an earlier key) can bring no
  receipt: it is named in `damaged`, and removed by forget_damaged() once somebody was told.
"""

import os

from benchworthy_agent import receipt, sign

MOST = 8
_MAX_TOKEN = 4096
_NEW = ".new"


class Spool:
    """The reports in `folder`, signed under `key`."""

    def __init__(self, folder, key):
        self._folder = folder
        self._key = key
        self._digests = {}
        self.damaged = []
        self._mend()

    def waiting(self):
        """The names of the reports without a receipt, oldest first."""
        return sorted([name for name in self._names() if not name.endswith(_NEW) and name not in self.damaged])

    def full(self):
        return len(self.waiting()) >= MOST

    def put(self, token):
        """Keep a report; False if the spool or the flash is full."""
        if self.full():
            return False
        try:
            if not self._names():
                self._make_folder()
            path = self._path(self._next_name())
            with open(path + _NEW, "wb") as file:
                file.write(token)
            os.rename(path + _NEW, path)
        except OSError:
            self._remove_new()
            return False
        return True

    def token(self, name):
        """The bytes of a waiting report."""
        with open(self._path(name), "rb") as file:
            return file.read(_MAX_TOKEN + 1)

    def receive(self, text):
        """Take a receipt: the verdict, and the report it names is gone; None if it counts for none of these."""
        for name in self.waiting():
            verdict = receipt.check(text, self._digest(name), self._key)
            if verdict is not None:
                self._digests.pop(name, None)
                os.remove(self._path(name))
                return verdict
        return None

    def deliver(self, send):
        """Hand every waiting report to `send(token, is_settled)`, oldest first; it comes back when it has waited enough.

        The number of those that are still without a receipt. What `send` raises ends this; nothing is lost by it.
        """
        for name in self.waiting():
            send(self.token(name), lambda: name not in self.waiting())
        return len(self.waiting())

    def forget_damaged(self):
        """Remove what nobody can make a report of any more; how many there were."""
        count = len(self.damaged)
        while self.damaged:
            os.remove(self._path(self.damaged[-1]))
            self.damaged.pop()
        return count

    def _mend(self):
        for name in self._names():
            if name.endswith(_NEW):
                self._settle_new(name)
        for name in self.waiting():
            if not self._sound(name):
                self.damaged.append(name)

    def _settle_new(self, name):
        place = name[: -len(_NEW)]
        if self._sound(name) and place not in self._names():
            os.rename(self._path(name), self._path(place))
        else:
            os.remove(self._path(name))

    def _sound(self, name):
        try:
            token = self.token(name)
        except OSError:
            return False
        cut = token.rfind(b".")
        if cut < 0 or len(token) > _MAX_TOKEN:
            return False
        expected = sign.base64url(sign.hmac_sha256(self._key, token[:cut]))
        return sign.equal(expected, token[cut + 1 :])

    def _digest(self, name):
        if name not in self._digests:
            self._digests[name] = sign.digest(self.token(name))
        return self._digests[name]

    def _next_name(self):
        # Counted on from what is there: a boot counter that began anew must not write over what still waits.
        highest = max([0] + [int(name) for name in self._names() if name.isdigit()])
        return "%06d" % (highest + 1)

    def _remove_new(self):
        for name in self._names():
            if name.endswith(_NEW):
                try:
                    os.remove(self._path(name))
                except OSError:
                    pass  # the next start tries again

    def _make_folder(self):
        try:
            os.mkdir(self._folder)
        except OSError:
            pass  # it is there and empty; if it could not be made, writing the file will tell

    def _names(self):
        try:
            return os.listdir(self._folder)
        except OSError:
            return []

    def _path(self, name):
        return self._folder + "/" + name
