"""What a drive's maker and family tell about it: the patterns of `profiles/families.toml`."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal

from drivecare.documents import Strict, decode_shipped

Trait = Literal["packed-rates", "counted-rates", "hard-drive", "raid-volume", "raid-driver", "raid-answer"]
Sureness = Literal["report", "memory"]


class Family(Strict, frozen=True, kw_only=True):
    """A pattern of names, what it tells, how sure that is and by which source."""

    trait: Trait
    pattern: str
    sure: Sureness
    source: str


class _FamilyFile(Strict, frozen=True, kw_only=True):
    family: tuple[Family, ...]


@lru_cache(maxsize=1)
def load_families() -> tuple[Family, ...]:
    """The families that are shipped, read once."""
    return decode_shipped(_FamilyFile, "families.toml").family


@lru_cache
def pattern_of(trait: Trait) -> str:
    """One pattern for all families with a trait."""
    return "|".join(f"(?:{family.pattern})" for family in load_families() if family.trait == trait)


def has_trait(label: str, trait: Trait) -> bool:
    """Whether a label names a family with this trait."""
    return re.search(pattern_of(trait), label, re.I) is not None
