"""What one client may hold of what all share: nobody's requests shut out anybody else's."""

from collections import Counter

from coldcase.web.connections import ThrottledLog
from coldcase.web.problems import TooManyAtOnce
from coldcase.workers import Seats


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
        if self.held_by(client_id) >= self.most:
            self._say("request refused", f"one client has too many {self._what}", None, client_id=client_id)
            raise TooManyAtOnce(
                f"This client has {self.most} {self._what}, as many as one client may have; send "
                "again when one has ended."
            )
        self._hold(client_id)

    def give_back(self, client_id: int) -> None:
        """Gives a place of a client back."""
        self._held[client_id] -= 1
        if self._held[client_id] <= 0:
            del self._held[client_id]

    def held_by(self, client_id: int) -> int:
        """How many places a client holds."""
        return self._held[client_id]

    @property
    def running(self) -> int:
        """How many places are held in this process."""
        return self._held.total()

    @property
    def total(self) -> int:
        """How many places are held, by all workers if they share them."""
        return self.running

    def _hold(self, client_id: int) -> None:
        self._held[client_id] += 1


class SharedShares(Shares):
    """The same of places that all workers of a machine share."""

    def __init__(self, most: int, what: str, say: ThrottledLog, seats: Seats) -> None:
        super().__init__(most, what, say)
        self._seats = seats

    def give_back(self, client_id: int) -> None:
        """Gives a place of a client back."""
        self._seats.leave(client_id)

    def held_by(self, client_id: int) -> int:
        """How many places a client holds, of all workers."""
        return self._seats.of(client_id)

    @property
    def running(self) -> int:
        """How many places are held in this process."""
        return self._seats.own

    @property
    def total(self) -> int:
        """How many places are held by all workers."""
        return self._seats.total

    def _hold(self, client_id: int) -> None:
        self._seats.sit(client_id)
