"""Invented shops, day by day: each thing that happens becomes a line for the books and a post in the ledger."""

import random
from datetime import date, timedelta
from fractions import Fraction

from flips.books import Collector, Kind, Line, Method, Moved
from tests.flips.ledger import Ledger, half_up

SELLING = {
    Kind.FEE: "fee",
    Kind.PAYMENT_FEE: "card",
    Kind.DELIVERY_PAID: "van",
    Kind.PACKING: "boxes",
    Kind.RETURN_FREIGHT: "freight back",
}
OWN_COSTS = [Kind.PURCHASE, Kind.PREMIUM, Kind.PURCHASE_TAX, Kind.TRANSPORT, Kind.PART, Kind.HELP]
AWAY = {Kind.PRICE: "sold", Kind.SCRAPPED: "scrapped", Kind.KEPT: "kept", Kind.GIVEN_AWAY: "given"}
LOT_ENDS = {
    Kind.LOT_WRITTEN_OFF: "scrapped",
    Kind.SHRINKAGE: "shrunk",
    Kind.LOT_USED: "used up",
    Kind.LOT_KEPT: "kept",
}
CATEGORIES = ["tools", "rent", "advertising"]


class History:
    """Plays one shop from a seed; ``lines`` and ``moves`` are what the books get, ``ledger`` what really happened."""

    def __init__(self, seed, *, method=Method.FIFO, days=60, start=date(2023, 6, 1)):
        self.dice = random.Random(seed)
        self.method, self.day, self.order, self.serial = method, start, 0, 0
        self.ledger, self.lines, self.moves = Ledger(), [], []
        self.quantity, self.material_of, self.deposits = {}, {}, {}
        self.failed, self.by_piece = [], {}
        for _ in range(days):
            self.day += timedelta(days=self.dice.choice([1, 1, 3, 9, 20, 33]))
            self.play_a_day()

    @property
    def stock(self):
        return sorted(lot for lot, quantity in self.quantity.items() if quantity > 0)

    def standing(self, *places):
        return sorted(piece for piece, place in self.ledger.where.items() if place in places)

    def name(self, what):
        self.serial += 1
        return f"{what}{self.serial}"

    def amount(self, most=40000):
        return self.dice.choice([0, 1, self.dice.randrange(100), self.dice.randrange(most)])

    def line(self, kind, cents=0, **fields):
        self.serial += 1
        # What is taken from a lot first decides who takes the odd cent; what happens to a piece has its own order.
        order = self.serial if "lot" in fields else self.order
        return Line(kind=kind, on=self.day, cents=cents, order=order, source=("row", self.serial), **fields)

    def add(self, kind, cents=0, **fields):
        self.lines.append(self.line(kind, cents, **fields))

    def chance(self, percent):
        return self.dice.randrange(100) < percent

    def play_a_day(self):
        # The books take a day's intakes first, then cuts, then costs, then what happens to pieces.
        self.order = 0
        for likely, thing in [
            (40, self.find),
            (25, self.bring_in),
            (45, self.buy_lot),
            (15, self.late_bill),
            (25, self.salvage),
            (30, self.cut_offcut),
            (70, self.use),
            (20, self.end_lot),
            (60, self.spend_on_piece),
            (40, self.spend),
            (25, self.take_deposit),
            (60, self.move_piece),
            (40, self.move_piece),
            (30, self.sell_set),
        ]:
            if self.chance(likely):
                thing()

    def cost(self, piece, kind, cents, **fields):
        self.add(kind, cents, piece=piece, **fields)
        self.ledger.cost(self.day, piece, cents, "brought in" if kind is Kind.OPENING_PIECE else "till")
        if fields.get("failed"):
            self.failed.append((self.day, cents))

    def find(self):
        piece = self.name("piece")
        self.cost(piece, Kind.PURCHASE, self.amount())
        if self.chance(40):
            self.cost(piece, Kind.PURCHASE_TAX, self.amount(2000))
        if self.chance(20):
            self.cost(piece, Kind.PREMIUM, self.amount(5000))

    def bring_in(self):
        if self.chance(50):
            self.cost(self.name("piece"), Kind.OPENING_PIECE, self.amount())
        else:
            self.new_lot(Kind.LOT_OPENING, "brought in")

    def new_lot(self, kind, paid_from):
        lot, cents = self.name("lot"), self.amount(9000)
        quantity = Fraction(self.dice.choice(["1", "0.75", "3", "7", "1/3", "946", "32"]))
        if self.chance(60):
            self.material_of[lot] = self.dice.choice(["varnish", "oak"])
        averaged = self.material_of.get(lot) if self.method is Method.AVERAGE else None
        self.moves.append(Moved(self.line(kind, cents, lot=lot), quantity))
        self.ledger.add_lot(
            self.day, lot, quantity=quantity, cents=cents, paid_from=paid_from, bin_of=averaged
        )
        self.quantity[lot] = quantity

    def buy_lot(self):
        self.new_lot(Kind.LOT_BOUGHT, "till")

    def late_bill(self):
        if self.stock:
            lot, cents = self.dice.choice(self.stock), self.amount(900)
            self.moves.append(Moved(self.line(Kind.LOT_BOUGHT, cents, lot=lot)))
            self.ledger.add_lot(self.day, lot, quantity=0, cents=cents, paid_from="till")

    def salvage(self):
        pieces = [piece for piece in self.standing("pieces", "scrapped") if self.ledger.carries[piece] > 0]
        if pieces:
            piece, lot = self.dice.choice(pieces), self.name("lot")
            cents = self.dice.randint(0, self.ledger.carries[piece])
            self.moves.append(Moved(self.line(Kind.SALVAGED, cents, piece=piece, into=lot), into_quantity=4))
            self.ledger.salvage(self.day, piece, lot, quantity=4, cents=cents)
            self.quantity[lot] = Fraction(4)

    def some_of(self, lot):
        quantity = self.quantity[lot] * self.dice.choice([1, Fraction(1, 2), Fraction(1, 3), Fraction(3, 10)])
        self.quantity[lot] -= quantity
        return quantity

    def cut_offcut(self):
        if self.stock:
            lot, offcut = self.dice.choice(self.stock), self.name("lot")
            quantity, size = self.some_of(lot), Fraction(self.dice.randint(1, 9))
            self.moves.append(Moved(self.line(Kind.OFFCUT, lot=lot, into=offcut), quantity, size))
            cents = self.ledger.take(lot, quantity)
            self.ledger.add_lot(self.day, offcut, quantity=size, cents=cents, paid_from=None)
            self.quantity[offcut] = size

    def use(self):
        pieces = self.standing("pieces", "sold", "kept")
        for _ in range(self.dice.randint(1, 3)):
            if pieces and self.stock:
                piece, lot, failed = self.dice.choice(pieces), self.dice.choice(self.stock), self.chance(30)
                quantity = self.some_of(lot)
                line = self.line(Kind.USED, piece=piece, lot=lot, failed=failed, attempt=7)
                self.moves.append(Moved(line, quantity))
                cents = self.ledger.take(lot, quantity)
                self.ledger.cost(self.day, piece, cents, "materials")
                if failed:
                    self.failed.append((self.day, cents))

    def end_lot(self):
        if self.stock:
            lot, kind = self.dice.choice(self.stock), self.dice.choice(list(LOT_ENDS))
            quantity = self.some_of(lot)
            self.moves.append(Moved(self.line(kind, lot=lot), quantity))
            self.ledger.post(self.day, LOT_ENDS[kind], "materials", self.ledger.take(lot, quantity))

    def spend_on_piece(self):
        pieces = sorted(self.ledger.where)
        if pieces:
            piece, kind = self.dice.choice(pieces), self.dice.choice(OWN_COSTS)
            self.cost(piece, kind, self.amount(6000), failed=self.chance(20))
            kind = self.dice.choice(list(SELLING))
            # A negative fee is one given back.
            self.money(kind, "selling " + SELLING[kind], "till", self.amount(900) - 100, piece=piece)

    def money(self, kind, debit, credit, cents, **fields):
        self.add(kind, cents, **fields)
        self.ledger.post(self.day, debit, credit, cents)
        if fields.get("piece"):
            earned = {"income": 1, "tax": 0}.get(credit, 0) * cents - cents * (debit in ("income", "tax"))
            if debit == "tax" or credit == "tax":
                earned = 0
            if debit.startswith("selling"):
                earned = -cents
            if credit.startswith("selling"):
                earned = cents
            self.by_piece[fields["piece"]] = self.by_piece.get(fields["piece"], 0) + earned

    def spend(self):
        which = self.dice.randrange(7)
        if which == 0:
            category = self.dice.choice(CATEGORIES)
            self.money(Kind.EXPENSE, "expense " + category, "till", self.amount(), category=category)
        elif which == 1:
            self.money(Kind.TRIP, "expense trips", "owner", self.amount(3000))
        elif which == 2:
            self.money(Kind.HELP, "expense wages", "till", self.amount())
        elif which == 3:
            self.add(Kind.PRIVATE, self.amount())
        elif which == 4:
            self.money(Kind.TAX_PAID_OVER, "tax", "till", self.amount())
        elif which == 5:
            self.money(Kind.TAX_RECLAIMED, "tax", "till", self.amount(800))
        else:
            self.money(Kind.OTHER_INCOME, "till", "other income", self.amount(800))

    def take_deposit(self):
        pieces = self.standing("pieces")
        if pieces:
            piece, cents = self.dice.choice(pieces), self.amount(5000)
            if piece not in self.deposits:
                self.deposits[piece] = cents
                self.money(Kind.DEPOSIT, "till", "deposits", cents, sale=piece)
            else:
                cents = self.deposits.pop(piece)
                if self.chance(50):
                    self.money(Kind.DEPOSIT_KEPT, "deposits", "other income", cents, sale=piece)
                else:
                    self.money(Kind.DEPOSIT_GIVEN_BACK, "deposits", "till", cents, sale=piece)

    def sell(self, piece, sale):
        self.order += 1
        self.money(Kind.PRICE, "till", "income", self.amount(90000), piece=piece, sale=sale)
        self.ledger.leave(self.day, piece, "sold")
        if self.chance(50):
            self.money(Kind.DELIVERY_CHARGED, "till", "income", self.amount(4000), piece=piece, sale=sale)
            self.money(Kind.DELIVERY_PAID, "selling van", "till", self.amount(4000), piece=piece, sale=sale)
        if self.chance(20):
            self.money(Kind.TIP, "till", "income", self.amount(900), piece=piece, sale=sale)
        if self.chance(40):
            self.money(
                Kind.TAX_COLLECTED,
                "till",
                "tax",
                self.amount(900),
                piece=piece,
                sale=sale,
                collector=Collector.SHOP,
            )
        elif self.chance(40):
            self.add(Kind.TAX_COLLECTED, 77, piece=piece, sale=sale, collector=Collector.MARKETPLACE)
        if piece in self.deposits:
            self.money(Kind.DEPOSIT_APPLIED, "deposits", "till", self.deposits.pop(piece), sale=piece)

    def sell_set(self):
        pieces = self.standing("pieces")
        if len(pieces) > 1:
            sale = self.name("sale")
            for piece in self.dice.sample(pieces, 2):
                self.sell(piece, sale)

    def move_piece(self):
        self.order += 1
        here, gone = self.standing("pieces"), self.standing("sold", "scrapped", "kept", "given")
        if gone and self.chance(30):
            piece = self.dice.choice(gone)
            if self.ledger.where[piece] == "sold":
                self.money(Kind.REFUND, "income", "till", self.amount(), piece=piece)
                self.money(
                    Kind.TAX_GIVEN_BACK,
                    "tax",
                    "till",
                    self.amount(900),
                    piece=piece,
                    collector=Collector.SHOP,
                )
                if self.chance(30):
                    self.money(Kind.COMPENSATION, "till", "selling comp", self.amount(), piece=piece)
            if self.chance(80):
                self.add(Kind.RETURNED, piece=piece)
                self.ledger.come_back(self.day, piece)
        elif here and self.chance(75):
            self.sell(self.dice.choice(here), self.name("sale"))
        elif here:
            piece, kind = (
                self.dice.choice(here),
                self.dice.choice([Kind.SCRAPPED, Kind.KEPT, Kind.GIVEN_AWAY]),
            )
            self.add(kind, piece=piece)
            self.ledger.leave(self.day, piece, AWAY[kind])


__all__ = ["LOT_ENDS", "SELLING", "History", "half_up"]
