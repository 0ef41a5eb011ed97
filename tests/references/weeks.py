"""Days and the ISO 8601 weeks they lie in."""

# Source: Python's datetime, which follows the week rule of ISO 8601 (week 1 holds the year's first Thursday).
DAYS = [
    ("2024-12-30", "2025-W01", 1),
    ("2025-12-29", "2026-W01", 1),
    ("2026-01-01", "2026-W01", 4),
    ("2027-01-03", "2026-W53", 7),
    ("2016-02-29", "2016-W09", 1),
    ("2022-07-01", "2022-W26", 5),
]
