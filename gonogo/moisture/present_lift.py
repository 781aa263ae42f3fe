"""A site's strips as they lie: each with what was recorded of its own lift, the config's values where nothing was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from gonogo.moisture.lift_history import LiftHistory
from gonogo.records.site import Site, Strip


def site_as_it_lies(site: Site, histories: Sequence[LiftHistory]) -> Site:
    """Return a site whose strips are those of their present lifts.

    histories   of every strip, in the order of site.strips; a site made so gives itself again
    """
    strips = tuple(as_it_lies(strip, history) for strip, history in zip(site.strips, histories, strict=True))
    return site if strips == site.strips else replace(site, strips=strips)


def as_it_lies(strip: Strip, history: LiftHistory) -> Strip:
    """Return a strip with thickness, density, material and area of the lift that lies on it.

    The first recorded lift has the config's thickness, later ones that of following lifts, where nobody recorded their
    own. A lift that covers a share of the strip covers it from its beginning on. What following lifts will be stays
    what the config says.
    """
    spread, later_m, later_kg_m3 = history.spread, strip.following_lift_thickness_m, strip.following_dry_density_kg_m3
    thickness_m = spread.thickness_m or (strip.lift_thickness_m if later_m is None or history.number == 1 else later_m)
    density_kg_m3 = spread.dry_density_kg_m3 or strip.dry_density_kg_m3
    # Where a strip says nothing of later lifts, they are as its first one: that must not follow the present one.
    is_other = thickness_m != strip.lift_thickness_m, density_kg_m3 != strip.dry_density_kg_m3
    share = spread.area_share if strip.laid_share is None else None
    return replace(
        strip,
        lift_thickness_m=thickness_m,
        dry_density_kg_m3=density_kg_m3,
        material_id=spread.material_id or strip.material_id,
        following_lift_thickness_m=strip.lift_thickness_m if is_other[0] and later_m is None else later_m,
        following_dry_density_kg_m3=strip.dry_density_kg_m3 if is_other[1] and later_kg_m3 is None else later_kg_m3,
        length_m=strip.length_m * (share or 1.0),
        laid_share=strip.laid_share if share is None else share,
    )
