import pytest

from estimating.pricing import DELIVERY, PRICE, TAX, FeeRule, Terms


@pytest.mark.parametrize(
    ("rule", "amounts", "fee"),
    [
        (FeeRule("plain", 10), {"price": 8999}, 900),
        (FeeRule("half a cent goes up", 5), {"price": 10}, 1),
        (FeeRule("just below half", 5), {"price": 9}, 0),
        (FeeRule("fixed on top", 3, fixed=30), {"price": 10000}, 330),
        (
            FeeRule("of all parts", 10, {PRICE, DELIVERY, TAX}),
            {"price": 1000, "delivery": 200, "tax": 80},
            128,
        ),
        (FeeRule("of delivery alone", 10, {DELIVERY}), {"price": 1000, "delivery": 200}, 20),
        (FeeRule("minimum", 5, minimum=40), {"price": 500}, 40),
        (FeeRule("minimum counts the fixed part", 5, fixed=30, minimum=40), {"price": 500}, 55),
        (FeeRule("cap", 10, cap=5000), {"price": 60000}, 5000),
        (FeeRule("fixed only", 0, fixed=99), {"price": 1}, 99),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_a_fee_is_posted_as_the_rule_says(rule, amounts, fee):
    assert rule.on(**amounts) == fee


@pytest.mark.parametrize(
    ("terms", "added", "inside"),
    [
        (Terms(tax_percent=8, tax_how="added"), 800, 0),
        (Terms(tax_percent=8, tax_how="added", tax_on_delivery=True, delivery_charged=2500), 1000, 0),
        (Terms(tax_percent=20, tax_how="inside"), 0, 1667),
        (Terms(tax_percent=20, tax_how="on the margin", bought_for=4000), 0, 1000),
        (Terms(tax_percent=20, tax_how="on the margin", bought_for=14000), 0, 0),
        (Terms(tax_percent=20), 0, 0),
    ],
    ids=["added", "added on delivery too", "inside", "on the margin", "sold below cost", "not registered"],
)
def test_tax_goes_by_the_scheme(terms, added, inside):
    assert (terms.tax_added(10000), terms.tax_inside(10000)) == (added, inside)


def test_a_fee_may_be_taken_of_the_tax_which_is_never_revenue():
    terms = Terms((FeeRule("card", 10, {PRICE, TAX}),), tax_percent=10, tax_how="added")

    sale = terms.sale(10000, basis=3000)

    assert (sale.revenue, sale.fees, sale.margin) == (10000, 1100, 5900)


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: FeeRule("x", 101), "from 0 to 100"),
        (lambda: FeeRule("x", 1, {"tips"}), "price, delivery and tax"),
        (lambda: FeeRule("x", 1, fixed=-1), "negative"),
        (lambda: FeeRule("x", 1, minimum=5, cap=4), "cap can't be below"),
        (lambda: Terms(tax_how="maybe"), "not a way of taxing"),
        (lambda: Terms(packing=-1), "negative"),
    ],
)
def test_nonsense_is_refused(build, says):
    with pytest.raises(ValueError, match=says):
        build()
