"""Ten steps weighed exactly, against trying every order, in one run: python -m tests.bench.bench_remedies"""

from fractions import Fraction
from itertools import permutations
from time import process_time

from estimating.remedies import Step, order_steps


def every_order(steps):
    """The baseline: the least expected cost over all orders, one by one."""
    best = None
    for order in permutations(steps):
        cost, reached = Fraction(0), Fraction(1)
        for step in order:
            cost += reached * (step.materials + step.hours * 18)
            reached *= step.chance
        best = cost if best is None else min(best, cost)
    return best


def main():
    """Prints the seconds of both on eight steps, and ours on ten."""
    steps = [
        Step(f"s{at}", Fraction(at % 3 + 1, 2), Fraction(5 + 13 * at % 7), Fraction(30 + 17 * at % 65, 100))
        for at in range(10)
    ]
    started = process_time()
    every_order(steps[:8])
    slow = process_time() - started
    started = process_time()
    order_steps(steps[:8], hour_value=Fraction(18))
    ours = process_time() - started
    started = process_time()
    order_steps(steps, hour_value=Fraction(18))
    ten = process_time() - started
    print(
        f"eight steps: every order {slow:.3f} s, ours {ours:.4f} s, ratio {slow / ours:.0f}; ten steps: {ten:.4f} s"
    )


if __name__ == "__main__":
    main()
