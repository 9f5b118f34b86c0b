"""What one client may hold of what all share: nobody's requests shut out anybody else's."""

from collections import Counter

from coldcase.web.connections import ThrottledLog
from coldcase.web.problems import TooManyAtOnce


def client_share(of: int, part: float) -> int:
    """The most that one client may hold of a number of places: its part, one at the least."""
    return max(1, int(of * part))


class Shares:
    """How many places of a kind each client holds. `most` is the limit of one client; `what` names the places
    in a refusal.
    """

    def __init__(self, most: int, what: str, say: ThrottledLog) -> None:
        self.most = most
        self._what = what
        self._say = say
        self._held: Counter[int] = Counter()

    def take(self, client_id: int) -> None:
        """Takes a place for a client, to be given back. Raises TooManyAtOnce if it holds as many as one
        client may.
        """
        if self._held[client_id] >= self.most:
            self._say("request refused", f"one client has too many {self._what}", None, client_id=client_id)
            raise TooManyAtOnce(
                f"This client has {self.most} {self._what}, as many as one client may have; send "
                "again when one has ended."
            )
        self._held[client_id] += 1

    def give_back(self, client_id: int) -> None:
        """Gives a place of a client back."""
        self._held[client_id] -= 1
        if self._held[client_id] <= 0:
            del self._held[client_id]
