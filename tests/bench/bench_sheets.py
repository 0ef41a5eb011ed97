"""Sheet layouts against a general rectangle packer, rectpack, in one run on one machine.

    python -m tests.bench.bench_sheets [--seconds 1] [--only shop] [--every 3] [--markdown]

The packer gets every guillotine rule it has, four sorts, two ways of choosing a sheet and each way of turning the
pieces, with section merging off (merged sections cannot be sawn edge to edge); its cheapest layout counts. Kerf: its
pieces and sheets are grown by one kerf. Where sheets come in several sizes it is run on each size. A ratio below 1 means
the layout engine needs less. Instances: OR-Library and 2DPackLib problems read as bin packing, and shop-like ones made
up for this benchmark; ``best_known`` and ``lower_bound`` were worked out with minutes of search and are no records.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from statistics import mean
from time import perf_counter

from estimating.sheets import faults, solve

DATA = Path(__file__).parent / "problems" / "sheets.json"


def instances():
    """The problems with their known figures, as the layout engine reads them."""
    for row in json.loads(DATA.read_text()):
        stock = [
            dict(zip(("id", "kind", "w", "h", "qty", "cost"), sheet, strict=True)) for sheet in row["stock"]
        ]
        parts = [
            {"id": name, "w": w, "h": h, "qty": qty, "rotate": bool(turns)}
            for name, w, h, qty, turns in row["parts"]
        ]
        yield row, {"kerf": row["kerf"], "trim": row["trim"], "stock": stock, "parts": parts}


def ways_round(instance):
    """Whether the packer may turn pieces, and the pieces as handed to it: it cannot keep some of them with the grain."""
    pieces = [(p["w"], p["h"], p["rotate"]) for p in instance["parts"] for _ in range(p["qty"])]
    yield False, [(w, h) for w, h, _ in pieces]
    if any(turns for *_, turns in pieces):
        if all(turns for *_, turns in pieces):
            yield True, [(w, h) for w, h, _ in pieces]
        yield False, [(max(w, h), min(w, h)) if turns else (w, h) for w, h, turns in pieces]
        yield False, [(min(w, h), max(w, h)) if turns else (w, h) for w, h, turns in pieces]


def rectpack_cost(instance):
    """The least money over all of the packer's guillotine settings; None where none of them places everything."""
    import rectpack
    from rectpack import guillotine

    rules = [
        rule
        for name, rule in vars(guillotine).items()
        if name.startswith(("GuillotineBaf", "GuillotineBssf", "GuillotineBlsf"))
        and name not in ("GuillotineBaf", "GuillotineBssf", "GuillotineBlsf")
    ]
    unmerged = [_unmerged(rule) for rule in rules]
    sorts = (rectpack.SORT_AREA, rectpack.SORT_PERI, rectpack.SORT_LSIDE, rectpack.SORT_SSIDE)
    kerf, trim = instance["kerf"], instance["trim"]

    def usable(sheet):
        w = sheet["w"] - trim["left"] - trim["right"] + kerf
        return w, sheet["h"] - trim["bottom"] - trim["top"] + kerf

    offcuts = sorted((s for s in instance["stock"] if s["qty"] is not None), key=lambda s: s["w"] * s["h"])
    best = None
    for turning, pieces in ways_round(instance):
        for size in (s for s in instance["stock"] if s["qty"] is None):
            bins = [(*usable(s), s["qty"], s["cost"]) for s in offcuts]
            bins.append((*usable(size), len(pieces), size["cost"]))
            for rule in unmerged:
                for sort in sorts:
                    for choice in (rectpack.PackingBin.BFF, rectpack.PackingBin.BBF):
                        packer = rectpack.newPacker(
                            mode=rectpack.PackingMode.Offline,
                            bin_algo=choice,
                            pack_algo=rule,
                            sort_algo=sort,
                            rotation=turning,
                        )
                        for w, h in pieces:
                            packer.add_rect(w + kerf, h + kerf)
                        for place, (w, h, count, _) in enumerate(bins):
                            packer.add_bin(w, h, count=count, bid=place)
                        packer.pack()
                        if sum(len(one) for one in packer) == len(pieces):
                            cost = sum(bins[one.bid][3] for one in packer if len(one))
                            best = cost if best is None else min(best, cost)
    return best


def _unmerged(rule):
    def start(self, width, height, rot=True, merge=True, *args, **kwargs):
        rule.__init__(self, width, height, rot, False, *args, **kwargs)

    return type(f"{rule.__name__}Unmerged", (rule,), {"__init__": start})


def measure(*, seconds, only, every):
    """One row an instance: figures of the packer and of the engine, with the engine's time."""
    chosen = [(row, instance) for row, instance in instances() if only in row["name"]]
    for row, instance in chosen[::every]:
        started = perf_counter()
        layout = solve(instance, seconds=seconds)
        took = perf_counter() - started
        started = perf_counter()
        packer = rectpack_cost(instance)
        yield {
            "name": row["name"],
            "family": row["family"],
            "bound": row["lower_bound"],
            "best": row["best_known"],
            "rectpack": packer,
            "rectpack_seconds": perf_counter() - started,
            "ours": layout["cost"],
            "seconds": took,
            "faults": faults(instance, layout),
        }


def summary(rows):
    """By family: instances, accepted layouts, how often equal to the best known and to the bound, mean ratio to rectpack."""
    families = sorted({row["family"] for row in rows})
    for family in [*families, "all"]:
        of = [row for row in rows if family in ("all", row["family"])]
        ratios = [row["ours"] / row["rectpack"] for row in of if row["rectpack"]]
        yield (
            family,
            len(of),
            sum(not row["faults"] for row in of),
            sum(row["ours"] <= row["best"] for row in of),
            sum(row["ours"] <= row["bound"] for row in of),
            sum(row["rectpack"] is None or row["ours"] < row["rectpack"] for row in of),
            sum(row["rectpack"] is not None and row["ours"] > row["rectpack"] for row in of),
            mean(ratios) if ratios else 1.0,
            max(row["seconds"] for row in of),
        )


def main():
    parser = argparse.ArgumentParser(description="Sheet layouts against rectpack.")
    parser.add_argument("--seconds", type=float, default=1.0)
    parser.add_argument("--only", default="")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--markdown", action="store_true", help="the summary table only")
    chosen = parser.parse_args()
    rows = []
    for row in measure(seconds=chosen.seconds, only=chosen.only, every=chosen.every):
        rows.append(row)
        if not chosen.markdown:
            ratio = f"{row['ours'] / row['rectpack']:.3f}" if row["rectpack"] else "-"
            wrong = f"  {row['faults'][0]}" if row["faults"] else ""
            print(
                f"{row['name']:20} bound {row['bound']:>5} best {row['best']:>5} rectpack {row['rectpack']!s:>5} "
                f"({row['rectpack_seconds']:.1f} s) ours {row['ours']:>5} ({row['seconds']:.2f} s) ratio {ratio}{wrong}",
                flush=True,
            )
    print(
        "| family | instances | accepted | best known | bound | cheaper than rectpack | dearer | mean ratio | longest |"
    )
    print("|---|---:|---:|---:|---:|---:|---:|---:|---:|")
    for family, count, accepted, best, bound, cheaper, dearer, ratio, longest in summary(rows):
        print(
            f"| {family} | {count} | {accepted} | {best} | {bound} | {cheaper} | {dearer} | {ratio:.3f} | {longest:.2f} s |"
        )


if __name__ == "__main__":
    main()
