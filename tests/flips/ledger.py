"""A second bookkeeper: T-accounts posted as things happen, written apart from the books to check them with.

It is told events, not lines, knows nothing of kinds, folds or dates to come, and rounds with the decimal module.
"""

from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction


def half_up(exact):
    exact = Fraction(exact)
    # 40 digits: far more than any tie in these histories needs to show itself.
    return int((Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(Decimal(1), ROUND_HALF_UP))


class Ledger:
    def __init__(self):
        self.posts = []
        self.where = {}
        self.carries = defaultdict(int)
        self.bin = {}
        self.shelf = {}

    def post(self, day, debit, credit, cents):
        self.posts.append((day, debit, credit, cents))

    def balances(self, *, since=None, before=None):
        totals = defaultdict(int)
        for day, debit, credit, cents in self.posts:
            if (since is None or day >= since) and (before is None or day < before):
                totals[debit] += cents
                totals[credit] -= cents
        return totals

    def turnover(self, debit, credit, *, since, before):
        return sum(c for d, dr, cr, c in self.posts if since <= d < before and (dr, cr) == (debit, credit))

    # Pieces: "shop" while on the premises, otherwise the account its cost went to.

    def cost(self, day, piece, cents, paid_from):
        where = self.where.setdefault(piece, "pieces")
        self.post(day, "pieces", paid_from, cents)
        if where != "pieces":
            self.post(day, where, "pieces", cents)
        self.carries[piece] += cents

    def salvage(self, day, piece, lot, *, quantity, cents):
        self.cost(day, piece, -cents, "materials")
        self.add_lot(day, lot, quantity=quantity, cents=cents, paid_from=None)

    def leave(self, day, piece, to):
        assert self.where[piece] == "pieces"
        self.post(day, to, "pieces", self.carries[piece])
        self.where[piece] = to

    def come_back(self, day, piece):
        self.post(day, "pieces", self.where[piece], self.carries[piece])
        self.where[piece] = "pieces"

    # Lots: [cents, quantity, price per unit since the last intake], by lot or by material.

    def add_lot(self, day, lot, *, quantity, cents, paid_from, bin_of=None):
        own = self.shelf.setdefault(self.bin.setdefault(lot, bin_of or lot), [0, Fraction(0), Fraction(0)])
        if paid_from:
            self.post(day, "materials", paid_from, cents)
        own[0] += cents
        own[1] += quantity
        if own[1]:
            own[2] = Fraction(own[0]) / own[1]

    def take(self, lot, quantity):
        own = self.shelf[self.bin[lot]]
        cents = own[0] if quantity == own[1] else min(own[0], half_up(own[2] * quantity))
        own[0] -= cents
        own[1] -= quantity
        return cents
