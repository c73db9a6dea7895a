"""The contract's map of decided sites: mounts, the bill, the sites to look at first; of zones only none of it."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from test_look_first import GOOD, NONE
from test_say_bid import site
from test_show import contract

from planner.found import SiteFound
from planner.show.draw.contract_map import LABELLED_MOST, contract_page, view


def found_at(n: int) -> tuple[SiteFound | None, ...]:
    """Of n sites the first has no mount, the second a doubtful link, the last its zone only."""
    seen = view(contract(n)).sites
    at = list(zip(seen["longitude_deg"].to_pylist(), seen["latitude_deg"].to_pylist(), strict=True))
    out: list[SiteFound | None] = []
    for k, (x, y) in enumerate(at):
        place = replace(GOOD.place, longitude_deg=x, latitude_deg=y)  # type: ignore[type-var]
        one = replace(GOOD, row=k + 1, name=f"site {k}", place=place, price=460.0, bid=site(f"site {k}"))
        out.append(one)
    out[0] = replace(NONE, row=1, name="site 0", bid=None)
    out[1] = replace(GOOD, row=2, name="site 1", held_with=(0.91,), served=2, bid=site("site 1"))
    out[-1] = None
    return tuple(out)


def drawn(n: int, decided: bool = True) -> tuple[str, dict[str, dict[str, object]]]:
    seen = view(contract(n))
    flags = seen.sites.column_names.index("flags")
    seen = replace(seen, sites=seen.sites.set_column(flags, "flags", [[""] * n]))
    if decided:
        seen = replace(seen, found=found_at(n))
    page = contract_page(seen).decode()
    data = re.search(r'id="map-data">(.*?)</script>', page, re.DOTALL)
    assert data
    return page, {group["id"]: group for group in json.loads(data[1])["groups"]}


def text(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page.split('<main class="panel"')[1].split("</main>")[0]))


def test_decided_sites_have_a_mount_a_bill_and_an_order_to_look_at_them() -> None:
    page, groups = drawn(12)
    said = text(page)
    assert "10 of 12 sites have a mount; 2 to look at first" in said
    assert "Look at these first 2 of 12 sites" in said
    assert said.index("No mount meets every requirement. Closest is R1-2") < said.index("a 91% chance of working")
    # ten of twelve are priced: one has no mount, one its zone only
    assert "Total $4,600" in said
    assert "About $4,600; nine times in ten no more than $5,520" in said
    assert "Nothing is priced at 1 site without a mount that meets every requirement: site 0." in said
    assert len(groups["mounts"]["features"]["features"]) == 10  # type: ignore[index]
    values = groups["sites"]["sites"]["mountValues"]  # type: ignore[index]
    assert values[2] == ["R1-2, Library, 8 m up", "80 of 100", "95% in January", "2 of 2", "97% chance", "$460"]
    assert values[0][0] == "none meets every requirement; closest is R1-2, Library, 8 m up"
    assert values[11] == [""] * 6
    assert groups["land"]["features"]["features"]  # type: ignore[index]


def test_a_contract_of_zones_has_no_bill_and_no_mounts() -> None:
    page, groups = drawn(12, decided=False)
    assert "mounts" not in groups
    assert "Cost" not in text(page)
    assert "Look at these first" not in text(page)
    assert "have a mount" not in text(page)
    assert "public domain" in text(page)


def test_the_contents_lead_to_parts_of_the_page() -> None:
    for decided in (True, False):
        page, _ = drawn(12, decided)
        led_to = re.findall(r'<a href="#([a-z-]+)"', page.split('class="contents"')[1].split("</nav>")[0])
        assert {"zones", "sites"} <= set(led_to)
        assert ("look-first" in led_to, "bid" in led_to) == (decided, decided)
        assert all(page.count(f'id="{part}"') == 1 for part in led_to)


def test_totals_add_up_with_sites_without_a_zone() -> None:
    seen = view(contract(12))
    zone = seen.sites["zone"].to_pylist()
    at = seen.sites.column_names.index("zone")
    gone = replace(seen, sites=seen.sites.set_column(at, "zone", [[None, None, *zone[2:]]]))
    page = contract_page(gone).decode()
    said = text(page)
    assert "No zone found 2" in said
    assert "Total 12" in said
    counts = re.findall(r'number">(\d+)<', page.split("<tbody>")[1].split("</tbody>")[0])
    assert sum(map(int, counts)) == 12


def test_many_decided_sites_are_drawn_without_marks_for_each() -> None:
    n = LABELLED_MOST + 1
    page, groups = drawn(n)
    assert "mounts" not in groups
    assert len(page) < 2_500_000
