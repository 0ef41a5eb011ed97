"""Invented shops played through the real actions, each event posted apart in the second bookkeeper's ledger."""

import random
from datetime import date, datetime, time, timedelta
from fractions import Fraction

from django.utils import timezone

from flips.actions import hours, opening, payments, people, pieces, receipts, sales, stock, taxes, trips
from flips.models import MILLION, Destination, ExpenseCategory, Piece, Stage, TaxCollector
from tests.flips.ledger import Ledger, half_up
from tests.makers import make_channel

FRACTIONS = [Fraction(1), Fraction(1, 2), Fraction(1, 3), Fraction(3, 10)]


class ShopStory:
    """One event a day, so that no two bookkeepers can disagree about the order of a day."""

    def __init__(self, seed, *, shop, owner, helper, start=date(2023, 6, 1), days=60):
        self.dice = random.Random(seed)
        self.shop, self.owner, self.helper = shop, owner, helper
        self.ledger, self.day, self.serial = Ledger(), start, 0
        self.average = shop.stock_method == "average"
        self.rates = [(start, 1500), (start + timedelta(days=200), 1725)]
        for since, cents in self.rates:
            people.add_rate(helper, hourly_cents=cents, from_on=since, by=owner)
        self.categories = {
            name: ExpenseCategory.objects.create(name=name) for name in ("rent", "advertising")
        }
        self.channel = make_channel()
        self.lots, self.sold, self.gone, self.unpaid, self.deposits = {}, {}, {}, [], {}
        trips.add_rate(by=owner, from_on=start, rate_millionths=70 * MILLION, unit="mi", source="made up")
        with timezone.override(shop.zone):
            for _ in range(days):
                self.day += timedelta(days=self.dice.choice([1, 2, 5, 11, 23]))
                if self.day >= timezone.localdate():
                    break
                self.play()

    def amount(self, most=30000):
        return self.dice.choice([1, self.dice.randrange(1, 100), self.dice.randrange(1, most)])

    def here(self):
        return list(Piece.objects.owned().order_by("pk"))

    def play(self):
        self.dice.choice(
            [
                self.buy, self.buy, self.buy_lot_of_pieces, self.bring_in, self.buy_stock, self.buy_stock,
                self.spend_on_piece, self.share, self.spend, self.use, self.use, self.write_off, self.help,
                self.sell, self.sell, self.sell_set, self.wait_for_money, self.get_paid, self.give_back,
                self.end, self.bring_back, self.drive, self.take_deposit, self.end_deposit, self.take_tip, self.pay_over,
            ]
        )()  # fmt: skip

    def find(self):
        self.serial += 1
        return pieces.log_find(by=self.owner, what=f"Piece {self.serial}", seen_on=self.day)

    def cost(self, piece, cents, paid_from="till"):
        self.ledger.cost(self.day, piece.pk, cents, paid_from)

    def buy(self):
        piece, price, tax, transport = self.find(), self.amount(), self.amount(900), self.amount(2000)
        pieces.buy(
            by=self.owner, weights={piece: 1}, bought_on=self.day,
            price_cents=price, tax_cents=tax, transport_cents=transport,
        )  # fmt: skip
        self.cost(piece, price + tax + transport)

    def buy_lot_of_pieces(self):
        found = [self.find() for _ in range(3)]
        weights = [self.dice.randint(1, 9) for _ in found]
        price = self.amount()
        pieces.buy(
            by=self.owner,
            weights=dict(zip(found, weights, strict=True)),
            bought_on=self.day,
            price_cents=price,
        )
        for piece, part in zip(found, shares(price, weights), strict=True):
            self.cost(piece, part)

    def bring_in(self):
        basis = self.amount()
        self.serial += 1
        piece = opening.bring_in_piece(
            by=self.owner, what=f"Old {self.serial}", basis_cents=basis, on=self.day, minutes=90
        )
        self.cost(piece, basis, "brought in")

    def receipt(self, total, tax=0):
        return receipts.new_receipt(
            by=self.owner, shop_name="Depot", bought_on=self.day, total_cents=total, tax_cents=tax
        )

    def buy_stock(self):
        cents, tax = self.amount(8000), self.amount(500)
        quantity = self.dice.choice([Fraction(1), Fraction(3, 4), Fraction(7), Fraction(32)])
        name = self.dice.choice(["Varnish", "Oak board"]) if self.average else f"Lot {self.serial}"
        self.serial += 1
        line = receipts.add_line(
            self.receipt(cents + tax, tax), by=self.owner, destination=Destination.STOCK, text=name, amount_cents=cents,
            lot={"name": name, "unit": "l", "quantity_millionths": int(quantity * MILLION)},
        )  # fmt: skip
        lot = line.lot
        self.lots[lot.pk] = lot
        self.ledger.add_lot(
            self.day, lot.pk, quantity=quantity, cents=cents + tax, paid_from="till",
            bin_of=f"bin {name}" if self.average else None,
        )  # fmt: skip

    def spend_on_piece(self):
        if here := list(Piece.objects.exclude(stage__in=(Stage.SEEN, Stage.PASSED)).order_by("pk")):
            piece, cents, tax = self.dice.choice(here), self.amount(4000), self.amount(300)
            kind = self.dice.choice([Destination.PIECE, Destination.TRANSPORT])
            receipts.add_line(
                self.receipt(cents + tax, tax), by=self.owner, destination=kind, text="for it", amount_cents=cents, piece=piece
            )  # fmt: skip
            # Also for a piece that is gone: a late paper.
            self.cost(piece, cents + tax)

    def share(self):
        here = self.here()
        if len(here) > 1:
            both, cents = self.dice.sample(here, 2), self.amount(4000)
            weights = [self.dice.randint(1, 5) for _ in both]
            kind = self.dice.choice([Destination.SHARED, Destination.HAUL])
            receipts.add_line(
                self.receipt(cents), by=self.owner, destination=kind, text="shared", amount_cents=cents,
                weights=dict(zip(both, weights, strict=True)),
            )  # fmt: skip
            for piece, part in zip(both, shares(cents, weights), strict=True):
                self.cost(piece, part)

    def spend(self):
        cents, name = self.amount(5000), self.dice.choice(["rent", "advertising", "tools", ""])
        kind = {"": Destination.PRIVATE, "tools": Destination.TOOLS}.get(name, Destination.EXPENSE)
        receipts.add_line(
            self.receipt(cents), by=self.owner, destination=kind, text="spent", amount_cents=cents,
            category=self.categories.get(name),
        )  # fmt: skip
        if name:
            self.ledger.post(self.day, f"expense {name}", "till", cents)

    def use(self):
        here = list(Piece.objects.exclude(stage__in=(Stage.SEEN, Stage.PASSED)).order_by("pk"))
        with_some = [lot for lot in self.lots.values() if lot.left_millionths > 0]
        if here and with_some:
            lot, piece = self.dice.choice(with_some), self.dice.choice(here)
            amount = max(1, int(lot.left_millionths * self.dice.choice(FRACTIONS)))
            taken = stock.take(
                by=self.owner, piece=piece, lot=lot, quantity_millionths=amount, picked=True, used_on=self.day
            )
            for use in taken.uses:
                self.cost(piece, self.ledger.take(use.lot_id, use.quantity), "materials")

    def write_off(self):
        with_some = [lot for lot in self.lots.values() if lot.left_millionths > 0]
        if with_some:
            lot = self.dice.choice(with_some)
            use = stock.write_off(lot, by=self.owner, reason="dried out", on=self.day)
            self.ledger.post(self.day, "scrapped", "materials", self.ledger.take(lot.pk, use.quantity))

    def help(self):
        if here := self.here():
            piece, minutes = self.dice.choice([None, *here]), self.dice.randint(1, 500)
            began = datetime.combine(self.day, time(9), tzinfo=self.shop.zone)
            hours.add_time(
                by=self.helper, person=self.helper, minutes=minutes, now=began + timedelta(hours=12), started_at=began,
                piece=piece,
            )  # fmt: skip
            rate = max((since, cents) for since, cents in self.rates if since <= self.day)[1]
            cents = half_up(Fraction(rate * minutes, 60))
            if piece is None:
                self.ledger.post(self.day, "expense wages", "till", cents)
            else:
                self.cost(piece, cents)

    def drive(self):
        miles, here = self.dice.randint(1, 300), self.here()
        chosen = self.dice.sample(here, min(len(here), self.dice.randint(0, 3)))
        trips.log_trip(
            by=self.owner, on=self.day, distance_millionths=miles * MILLION, unit="mi", purpose="market", pieces=chosen
        )  # fmt: skip
        self.ledger.post(self.day, "expense trips", "owner", 70 * miles)

    def take_deposit(self):
        here = [piece for piece in self.here() if piece.pk not in self.deposits]
        if here:
            piece, cents = self.dice.choice(here), self.amount(5000)
            self.deposits[piece.pk] = payments.take_deposit(piece, by=self.owner, cents=cents, on=self.day)
            self.ledger.post(self.day, "till", "deposits", cents)

    def end_deposit(self):
        if self.deposits:
            held = self.deposits.pop(self.dice.choice(sorted(self.deposits)))
            back = self.dice.randint(0, held.cents)
            payments.end_deposit(
                held, by=self.owner, given_back_cents=back, on=self.day, reason="fell through"
            )
            self.ledger.post(self.day, "deposits", "till", back)
            self.ledger.post(self.day, "deposits", "other income", held.cents - back)

    def take_tip(self):
        if self.sold:
            sale, cents = self.sold[self.dice.choice(sorted(self.sold))], self.amount(900)
            payments.take_tip(sale, by=self.owner, cents=cents, on=self.day)
            self.ledger.post(self.day, "till", "income", cents)

    def pay_over(self):
        cents, refunded = self.amount(900), self.dice.random() < 0.2
        taxes.pay_over(by=self.owner, cents=cents, on=self.day, refunded=refunded)
        self.ledger.post(self.day, "tax", "till", -cents if refunded else cents)

    def sell(self, *, paid=True):
        here = [piece for piece in self.here() if paid or piece.pk not in self.deposits]
        if here:
            self._sell([self.dice.choice(here)], paid=paid)

    def sell_set(self):
        here = self.here()
        if len(here) > 1:
            self._sell(self.dice.sample(here, 2), paid=True)

    def wait_for_money(self):
        self.sell(paid=False)

    def _sell(self, chosen, *, paid):
        held = [self.deposits.pop(piece.pk) for piece in chosen if piece.pk in self.deposits]
        # Nobody sells for less than the deposit.
        price, tax = max(self.amount(90000), sum(one.cents for one in held)), self.amount(900)
        for one in held:
            self.ledger.post(self.day, "deposits", "till", one.cents)
        collector = self.dice.choice([TaxCollector.SHOP, TaxCollector.MARKETPLACE])
        fee = min(self.amount(900), price)
        money = {
            "delivery_charged_cents": self.amount(3000),
            "delivery_paid_cents": self.amount(3000),
            "packing_cents": 250,
        }
        sale = sales.sell(
            by=self.owner, weights={piece: self.dice.randint(1, 5) for piece in chosen}, price_cents=price,
            fee_cents=fee, tax_cents=tax, tax_collector=collector, channel=self.channel,
            # Late in the evening, when the day is another one in most of the world.
            sold_at=datetime.combine(self.day, time(23, 30), tzinfo=self.shop.zone),
            paid_on=self.day if paid else None, **money,
        )  # fmt: skip
        facts = (sale, chosen, price, fee, tax, collector, money)
        if paid:
            self._count(*facts)
        else:
            self.unpaid.append(facts)

    def _count(self, sale, chosen, price, fee, tax, collector, money):
        post = self.ledger.post
        post(self.day, "till", "income", price + money["delivery_charged_cents"])
        post(self.day, "selling fee", "till", fee)
        post(self.day, "selling van", "till", money["delivery_paid_cents"])
        post(self.day, "selling boxes", "till", money["packing_cents"])
        if collector == TaxCollector.SHOP:
            post(self.day, "till", "tax", tax)
        for piece in chosen:
            self.ledger.leave(self.day, piece.pk, "sold")
            self.sold[piece.pk] = sale

    def get_paid(self):
        if self.unpaid:
            facts = self.unpaid.pop(0)
            facts[0].refresh_from_db()
            sales.change_sale(facts[0], fee_cents=facts[3], paid_on=self.day)
            self._count(*facts)

    def give_back(self):
        if self.sold:
            pk = self.dice.choice(sorted(self.sold))
            share = self.sold.pop(pk).shares.live().get(piece=pk)
            back, refund = self.dice.random() < 0.7, self.dice.randint(0, share.price_cents)
            sales.take_back(
                share, by=self.owner, refund_cents=refund, freight_cents=300, compensation_cents=100, goods_back=back,
                returned_on=self.day, reason="wobbles",
            )  # fmt: skip
            self.ledger.post(self.day, "income", "till", refund)
            self.ledger.post(self.day, "selling freight back", "till", 300)
            self.ledger.post(self.day, "till", "selling comp", 100)
            if back:
                self.ledger.come_back(self.day, pk)

    def end(self):
        if here := self.here():
            piece = self.dice.choice(here)
            stage, to = self.dice.choice(
                [(Stage.SCRAPPED, "scrapped"), (Stage.KEPT, "kept"), (Stage.GIVEN_AWAY, "given")]
            )
            pieces.move(piece, stage, by=self.owner, on=self.day, reason="no use")
            self.ledger.leave(self.day, piece.pk, to)
            if stage == Stage.KEPT:
                self.gone[piece.pk] = piece

    def bring_back(self):
        if self.gone:
            _, piece = self.gone.popitem()
            piece.refresh_from_db()
            pieces.move(piece, Stage.READY, by=self.owner, on=self.day)
            self.ledger.come_back(self.day, piece.pk)


def shares(total, weights):
    """Largest remainder, written anew: the parts of a total by weights."""
    exact = [Fraction(total * weight, sum(weights)) for weight in weights]
    parts = [int(one) for one in exact]
    order = sorted(range(len(parts)), key=lambda place: (parts[place] - exact[place], place))
    for place in order[: total - sum(parts)]:
        parts[place] += 1
    return parts
