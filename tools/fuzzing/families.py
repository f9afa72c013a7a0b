"""All families by name."""

from __future__ import annotations

from collections.abc import Mapping

from fuzzing import (
    family_backplane,
    family_callers,
    family_cards,
    family_editor,
    family_images,
    family_media,
    family_runs,
    family_stepper,
)
from fuzzing.case import Family
from fuzzing.machines import warm_up

__all__ = ["FAMILIES", "warm_up"]

FAMILIES: Mapping[str, Family] = {
    family.name: family
    for family in (
        family_backplane.FAMILY,
        *family_images.FAMILIES,
        *family_media.FAMILIES,
        *family_stepper.FAMILIES,
        family_editor.FAMILY,
        family_callers.FAMILY,
        *family_runs.FAMILIES,
        family_cards.FAMILY,
    )
}
