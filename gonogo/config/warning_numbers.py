"""The warnings of `gonogo check`: each has a number that stays the same, by which it can be accepted in the file."""

from __future__ import annotations

# What each number warns of. A number that is given up is never given to another warning.
WARNINGS: dict[int, str] = {
    1: "an accepted warning that does not come",
    # gonogo.toml
    10: "a secret's file that other users can read",
    11: "a database that other users can read",
    12: "a weather service that is free for non-commercial use only",
    13: "an address of example.com or the like, which reaches nobody",
    # a site's file, by itself
    20: "a mail that leaves after the shift began",
    21: "a lift thicker than water is mixed in",
    22: "a crew without a strip",
    23: "a crew without a water truck",
    24: "a thickness of later lifts where there are none",
    25: "later lifts thicker than water is mixed in",
    # 26 is given up: a machine of two crews is shared by the hour
    27: "a machine that no crew has",
    28: "two strips of one name",
    29: "a crew without a superintendent",
    30: "a laboratory curve to look at: swapped points, a gap, an overshoot",
    31: "a material that no strip has",
    32: "loose fill as dense as rolled",
    33: "a number that looks like one of another unit",
    34: "a test far outside the window",
    35: "a file beside a site's lists that is not one of them",
    # with the calendar and the map
    40: "a time zone that is not the place's",
    41: "a latitude or longitude that seems to lack its minus",
    42: "a place in the sea",
    43: "a site far from all the others",
    50: "a test in the future",
    51: "a test too old to begin with",
    52: "a finishing date in the past",
    53: "a site that does not work this week: nobody gets a mail",
    54: "a person whom no mail reaches this week",
    # with what is stored
    60: "an elevation that the air pressure contradicts",
    61: "a rain gauge that seems to add up",
    62: "a person who stopped the mails",
}
BY_FILE = frozenset(number for number in WARNINGS if number < 40)
BY_CALENDAR = frozenset(number for number in WARNINGS if 40 <= number < 60)
BY_STORE = frozenset(number for number in WARNINGS if number >= 60)


def label(number: int) -> str:
    """Return a number as it is printed and accepted, for example W34."""
    return f"W{number:02d}"


def numbers_report() -> str:
    """Return what `gonogo check --numbers` prints."""
    return "\n".join(f"{label(number)}  {what}" for number, what in WARNINGS.items()) + "\n"
