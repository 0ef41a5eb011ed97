"""Standard mileage rates for business, as data: the first day, millionths of a cent a mile, and where each is from.

Read in secondary pages (tables of two or more accounting firms; the second half of 2022 in reports of the IRS
announcement), not in the notices themselves. Some lists print 65 cents for 2023, which is wrong. A change within 2026
was not looked for. They are for US returns; which costs may be claimed is for the IRS's own text and an adviser to say.
"""

from __future__ import annotations

from datetime import date

_TABLES = "IRS standard mileage rate {}, as printed by accounting firms"

IRS_RATES: tuple[tuple[date, int, str], ...] = tuple(
    (first, tenths * 100_000, source)
    for first, tenths, source in (
        (date(2019, 1, 1), 580, _TABLES.format("2019")),
        (date(2020, 1, 1), 575, _TABLES.format("2020")),
        (date(2021, 1, 1), 560, _TABLES.format("2021")),
        (date(2022, 1, 1), 585, _TABLES.format("January to June 2022")),
        (date(2022, 7, 1), 625, _TABLES.format("July to December 2022")),
        (date(2023, 1, 1), 655, _TABLES.format("2023")),
        (date(2024, 1, 1), 670, _TABLES.format("2024")),
        (date(2025, 1, 1), 700, _TABLES.format("2025")),
        (date(2026, 1, 1), 725, "IRS Notice 2026-10, as printed by accounting firms"),
    )
)
