"""Every key of the plan file, with its meaning, its default and the default's reason in one place.

The table in examples/plan-keys.md is made from it (:mod:`planner.plan.keys`) and a test keeps the two alike.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import field_validator, model_validator

from planner.copper import conductor
from planner.ledger import nearest
from planner.plan.section import Section, entry
from planner.units import Units

COMMON = "common practice, no source"

LengthUnit = Literal["m", "ft"]
Leaf = Literal["evergreen", "deciduous"]


class VectorLayer(Section):
    path: str = entry(
        ..., "file, relative to the plan file; `${NAME}` is filled from `--var NAME=...` or the environment"
    )
    layer: str | None = entry(
        None,
        "layer inside the file, or of the drawing",
        "the file's only layer; a file with several must say which, a drawing by this or by `where`",
    )
    crs: str | None = entry(
        None,
        "CRS of the file, for example `EPSG:2278`",
        "the file's own; needed only where the file has none, or a wrong one",
    )
    where: str | None = entry(
        None,
        "SQL condition that picks features, for example `kind = 'hall'`, so that one file serves several layers",
        "every feature",
        min_length=1,
    )


class PointsLayer(VectorLayer):
    x: str | None = entry(
        None,
        "column of longitude or easting, for a table of points; that of `y` as well where one column holds both, as "
        "`35.27, -119.36`",
        "the file has geometry",
    )
    y: str | None = entry(None, "column of latitude or northing, for a table of points", "the file has geometry")

    @model_validator(mode="after")
    def _both_coordinates(self) -> PointsLayer:
        if (self.x is None) != (self.y is None):
            raise ValueError("only one of x and y is given; give both columns, or neither")
        return self


class SiteLayer(VectorLayer):
    name: str | None = entry(None, "attribute with the site's name", "the plan's title stands in")
    pick: str | None = entry(
        None, "name of the one site to take from a file of several", "a file of one site needs no choice"
    )


AS_OF = "when it was surveyed or flown: a year (`2019`), a month (`2019-07`) or a day"
AS_OF_WHY = "nothing is said of its age: the date of a file is that of a download"


def as_of() -> Any:
    """The key with a layer's date."""
    return entry(None, AS_OF, AS_OF_WHY, pattern=r"^(1[89]|20)\d\d(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?$")


class BuildingsLayer(VectorLayer):
    as_of: str | None = as_of()
    built: str | None = entry(
        None,
        "attribute with the year or day in which the building was finished",
        "OpenStreetMap's `start_date`, where the layer has it",
    )
    name: str | None = entry(None, "attribute with the building's name", "row numbers stand in")
    height: str | None = entry(
        None,
        "attribute with the height of the roof edge above ground",
        "heights then come from the surface model, or the stated default",
    )
    roof_height: str | None = entry(
        None,
        "attribute with the height of the roof alone, where `height` includes it (OpenStreetMap, Overture)",
        "`height` ends at the roof edge",
    )
    top: str | None = entry(
        None,
        "attribute with the elevation of the roof edge, in place of `height`",
        "heights are above ground",
    )
    ground: str | None = entry(
        None, "attribute with the elevation of the ground at the building; goes with `top`", "the terrain under it"
    )
    height_unit: Literal["m", "ft", "storeys"] = entry(
        "m", "unit of `height`, or of `top` and `ground`", "most open data are in metres"
    )
    storeys: str | None = entry(
        None,
        "attribute with the number of stories, for buildings whose `height` is missing (OpenStreetMap's "
        "`building:levels`)",
        "heights then come from the surface model, or the stated default",
    )
    storey_height_m: float = entry(
        3.5,
        "height of a story, where heights are in stories",
        f"between dwellings (3 m) and offices (4 m): {COMMON}",
        gt=1.5,
        lt=10,
    )
    default_height_m: float = entry(
        7.0,
        "height where none is given",
        f"two stories, so that shade is rather over- than underrated: {COMMON}",
        gt=0,
        lt=500,
    )
    base: str | None = entry(
        None,
        "attribute with the height of the underside above ground (canopies, bridges), in `height_unit`",
        "buildings stand on the ground",
    )
    roof: str | None = entry(
        None,
        "attribute with the roof's shape: `flat`, `pitched`, or a pitched one's name as open layers have it (`gabled`, "
        "`hipped`, `slanted` ...)",
        "flat: the mast stands at the parapet; pitched: at the eave",
    )
    mountable: str | None = entry(
        None,
        "attribute that says whether a sensor may be fixed here (yes/no, true/false, 1/0)",
        "every building may be used",
    )

    @model_validator(mode="after")
    def _one_height(self) -> BuildingsLayer:
        if self.top is not None and self.height is not None:
            raise ValueError("height is above ground and top is an elevation; give one of the two")
        if self.ground is not None and self.top is None:
            raise ValueError("ground goes with top, and there is no top")
        if self.top is not None and self.height_unit == "storeys":
            raise ValueError("an elevation (top) is in m or ft, not in storeys")
        if self.roof_height is not None and self.height is None:
            raise ValueError("roof_height goes with height, and there is no height")
        return self


class TreesLayer(PointsLayer):
    as_of: str | None = as_of()
    name: str | None = entry(None, "attribute with the tree's name or number", "row numbers stand in")
    height: str | None = entry(None, "attribute with the height of the tree's top", "the stated default")
    height_unit: LengthUnit = entry(
        "m", "unit of `height`, `crown_width` and `crown_base`", "most open data are in metres"
    )
    crown_width: str | None = entry(None, "attribute with the crown's diameter (points only)", "the stated default")
    crown_radius: str | None = entry(
        None, "attribute with the crown's radius, in place of `crown_width` (points only)", "the stated default"
    )
    crown_base: str | None = entry(
        None, "attribute with the height of the crown's underside", "a quarter of the tree's height"
    )
    leaf: str | None = entry(
        None,
        "attribute with `evergreen` or `deciduous`, or as open layers have it (`semi_evergreen`, `needleleaved` ...)",
        "by `species`, else the stated default",
    )
    species: str | None = entry(
        None,
        "attribute with the botanical name: tells evergreen from deciduous by the genus where `leaf` does not",
        "the stated default",
    )
    default_height_m: float = entry(
        9.0, "height where none is given", f"a grown street tree: {COMMON}", gt=0, lt=130
    )
    default_crown_width_m: float = entry(
        7.0, "crown diameter where none is given", f"a grown street tree: {COMMON}", gt=0, lt=60
    )
    default_leaf: Leaf = entry(
        "evergreen", "leaf habit where none is given", "shade is then rather over- than underrated"
    )

    @model_validator(mode="after")
    def _one_crown(self) -> TreesLayer:
        if self.crown_width is not None and self.crown_radius is not None:
            raise ValueError("crown_width and crown_radius are both given; keep one")
        return self

    years_ahead: float = entry(
        0.0,
        "years of growth to add to the trees before they shade",
        "trees as they are in the layer",
        ge=0,
        le=50,
    )
    height_growth_m_year: float = entry(
        0.3, "growth of the height, a year", f"an established street tree: {COMMON}", ge=0, le=3
    )
    crown_growth_m_year: float = entry(
        0.3, "growth of the crown's diameter, a year", f"an established street tree: {COMMON}", ge=0, le=3
    )


class RasterLayer(Section):
    path: str = entry(..., "GeoTIFF or any raster GDAL reads")
    crs: str | None = entry(None, "CRS of the file", "the file's own")


class HeightsLayer(RasterLayer):
    as_of: str | None = as_of()
    height_unit: LengthUnit | None = entry(
        None, "unit of the heights", "what the file or its vertical CRS says, else metres, and the result says so"
    )


class SurfaceLayer(HeightsLayer):
    use: Literal["heights", "obstacles"] | None = entry(
        None,
        "`heights`: gives footprints without a height theirs, and shows trees where no layer does; `obstacles`: shades as it stands, in place of footprints and tree canopies, and needs `layers.terrain`",
        "heights where there are footprints, which are sharper than cells; else obstacles",
    )
    leaf: Leaf | Literal["none"] = entry(
        "deciduous",
        "leaf habit of what it shows outside the footprints, where neither trees nor a canopy are given; `none` leaves that out",
        "most of what stands there is street and park trees",
    )
    above: Literal["sea level", "ground"] = entry(
        "sea level",
        "what its heights are above: `sea level` as the terrain's, or `ground` (a normalized surface model)",
        "most surface models are elevations",
    )
    percentile: float = entry(
        75.0,
        "which percentile of the heights above ground within a footprint becomes its height, where none is given",
        f"the upper quarter, because a cell at a wall holds roof and street: {COMMON}",
        ge=25,
        le=99,
    )


class CanopyLayer(HeightsLayer):
    leaf: Leaf = entry(
        "deciduous", "leaf habit of the whole layer", "most open canopy layers cover street and park trees"
    )
    use: Literal["cells", "trees"] = entry(
        "cells",
        "`cells`: leaves as they stand in the cells; `trees`: single trees are found in it (cells of 1.25 m or less)",
        "cells miss no tree, and hold tree canopies that have grown together",
    )
    least_tree_m: float = entry(
        3.0, "height from which a top is a tree, where trees are found", f"above hedges: {COMMON}", ge=1.5, le=30
    )


class ControllersLayer(PointsLayer):
    name: str | None = entry(None, "attribute with the controller's name", "row numbers stand in")
    indoors: str | None = entry(
        None,
        "attribute that says whether it hangs indoors (yes/no)",
        "outdoors unless its point lies inside a building",
    )
    height_m: float = entry(
        1.5,
        "height of the controller, or of its receiver, above ground",
        f"eye height on a wall: {COMMON}",
        ge=0,
        lt=100,
    )
    height: str | None = entry(
        None, "attribute with its height above ground, where it is not `height_m`", "`storey`, else `height_m`"
    )
    depth: str | None = entry(
        None,
        "attribute with its depth below ground (vault, basement); the loss is then a building's entry loss and "
        "`extra_loss`",
        "above ground",
    )
    height_unit: LengthUnit = entry("m", "unit of `height` and `depth`", "most open data are in metres")
    storey: str | None = entry(
        None,
        "attribute with its story: counted up from `ground_storey`, and -1, -2 for basements; the controller is "
        "`height_m` above that floor",
        "the ground floor",
    )
    ground_storey: int = entry(
        1, "number of the story at ground level", "1 in the United States; often 0 elsewhere", ge=0, le=1
    )
    storey_height_m: float = entry(
        3.5, "height of a story", f"between dwellings (3 m) and offices (4 m): {COMMON}", gt=1.5, lt=10
    )
    site: str | None = entry(
        None,
        "of a contract: attribute with the name of the site that each belongs to, or with its `contract.sites.key`",
        "by its place: inside an outline, or nearest within `contract.belongs_within_m`",
    )
    extra_loss: str | None = entry(
        None,
        "attribute with what more the signal loses on its way to the receiver, dB (inner walls, floors, a metal "
        "cabinet), besides a building's entry loss",
        "nothing more than the entry loss of ITU-R P.2109",
    )


class PolesLayer(PointsLayer):
    name: str | None = entry(None, "attribute with the pole's name", "row numbers stand in")
    height: str | None = entry(None, "attribute with the pole's height", "the stated default")
    height_unit: LengthUnit = entry("m", "unit of `height`", "most open data are in metres")
    default_height_m: float = entry(
        4.0, "height where none is given", f"a short equipment post: {COMMON}", gt=0, lt=60
    )


class KeepOutsLayer(VectorLayer):
    name: str | None = entry(None, "attribute with the place's name", "row numbers stand in")
    kind: str | None = entry(
        "kind",
        "attribute with `spray`, `heat` (exhaust and other heat) or `no_access`",
        "one attribute tells the three apart; not looked for where `default_kind` is given alone",
    )
    default_kind: Literal["spray", "heat", "no_access"] | None = entry(
        None, "kind where the attribute says none, or of the whole layer", "each feature must say its own"
    )

    @model_validator(mode="before")
    @classmethod
    def _of_the_whole_layer(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("default_kind") is not None and "kind" not in data:
            return {**data, "kind": None}
        return data


class GroundsLayer(VectorLayer):
    name: str | None = entry(None, "attribute with the place's name", "row numbers stand in")
    kind: str = entry(
        "kind",
        "attribute with `lawn`, `planting`, `field`, `path`, `paving`, `parking`, `court`, `track`, `road`, "
        "`conduit` (lines that may be pulled through), or what no cable may cross: `pool`, `water`, `forbidden`",
        "one attribute tells them apart",
    )


class NamedLayer(PointsLayer):
    name: str = entry(..., "attribute with the place's name")
    height: str | None = entry(
        None, "attribute with the height of the sensor above ground", "`default_height_m` for all"
    )
    height_unit: LengthUnit = entry("m", "unit of `height`", "most open data are in metres")
    default_height_m: float | None = entry(
        None, "height where none is given", "only you know: a place without a height is refused", ge=0, lt=500
    )
    support: str | None = entry(
        None, "attribute with what the sensor is fixed to, in words for the sheet", "said as named in the plan"
    )
    site: str | None = entry(
        None,
        "of a contract: attribute with the name of the site that each belongs to, or with its `contract.sites.key`",
        "by its place: inside an outline, or nearest within `contract.belongs_within_m`",
    )


class Layers(Section):
    site: SiteLayer = entry(..., "outline of the site, one polygon")
    buildings: BuildingsLayer | None = entry(None, "footprints", "no buildings")
    trees: TreesLayer | None = entry(None, "trees as points, or tree canopies as polygons", "no trees")
    terrain: HeightsLayer | None = entry(
        None,
        "ground heights; should reach some kilometres beyond the site where hills stand",
        "flat ground, and the result says so",
    )
    surface: SurfaceLayer | None = entry(None, "surface model (ground with all that stands on it)", "none")
    canopy: CanopyLayer | None = entry(None, "height of vegetation above ground", "none")
    controllers: ControllersLayer | None = entry(None, "irrigation controllers", "none: reach is not judged")
    poles: PolesLayer | None = entry(None, "existing poles that may carry the sensor", "none")
    named: NamedLayer | None = entry(
        None, "points of your own, judged like the rest, as `[[mounts.named]]`, from a layer or a table", "none"
    )
    keep_outs: KeepOutsLayer | None = entry(None, "places that rule a sensor out", "none, and the result says so")
    grounds: GroundsLayer | None = entry(
        None, "what the ground is covered with, for cable routes", "lawn everywhere outside buildings"
    )

    @property
    def ground_is_known(self) -> bool:
        """Whether heights of the surface model above the ground can be told."""
        return self.terrain is not None or (self.surface is not None and self.surface.above == "ground")

    @property
    def surface_shades(self) -> bool:
        """Whether the surface model stands in for all that shades."""
        if self.surface is None or self.surface.use is not None:
            return self.surface is not None and self.surface.use == "obstacles"
        return self.buildings is None and self.ground_is_known


class ControlPoint(Section):
    x: float = entry(..., "x in the drawing, in its unit")
    y: float = entry(..., "y in the drawing")
    longitude: float = entry(
        ..., "longitude of the same point (WGS 84, as phones and maps show it)", ge=-180, le=180
    )
    latitude: float = entry(..., "latitude of the same point", ge=-90, le=90)


class Drawing(Section):
    crs: str | None = entry(
        None,
        "CRS of the coordinates of every DXF drawing that a layer names, for example `EPSG:2278`",
        "the layer's own `crs`, else `control`; a drawing does not say where it lies",
    )
    control: tuple[ControlPoint, ...] = entry(
        (),
        "two points or more, far apart, that are known in the drawing and on the earth (`[[drawing.control]]`), in "
        "place of a CRS",
        "none",
    )
    unit: Literal["in", "ft", "us-ft", "yd", "mi", "mm", "cm", "dm", "m", "km"] | None = entry(
        None, "unit of the drawing's coordinates", "what the drawing states, where it states one; often wrong"
    )
    labels: str | None = entry(
        None,
        "SQL condition that picks the texts which name things, for example `Layer = 'NAMES'`",
        "every text may",
        min_length=1,
    )
    label_within_m: float = entry(
        3.0, "how far a label may stand from what it names", f"lettering beside its symbol: {COMMON}", ge=0, le=100
    )

    @model_validator(mode="after")
    def _one_place(self) -> Drawing:
        if self.crs is not None and self.control:
            raise ValueError("crs and control both place the drawing; keep one")
        if len(self.control) == 1:
            raise ValueError("one control point leaves open how the drawing is turned; give two or more, far apart")
        if len({(p.x, p.y) for p in self.control}) < len(self.control):
            raise ValueError("two control points are the same point of the drawing; give points far apart")
        if len({(p.longitude, p.latitude) for p in self.control}) < len(self.control):
            raise ValueError("two control points are the same point of the earth; give points far apart")
        return self


class Sensor(Section):
    mast_m: float = entry(
        0.6,
        "height of the sensor above the roof edge or pole top that carries it",
        f"clears a parapet cap and splash: {COMMON}",
        ge=0,
        le=10,
    )
    link: Literal["radio", "cable"] = entry(
        "radio", "how it reaches the controllers", "most sites span several buildings"
    )
    radio_band_mhz: float = entry(
        915.0,
        "carrier frequency of the sensor's radio",
        "an assumption: take it from the data sheet; local rules say which bands need no licence",
        gt=50,
        lt=6000,
    )
    rated_range_m: float = entry(
        200.0,
        "range in the open that the data sheet states",
        "an assumption: take it from the data sheet",
        gt=1,
        lt=20000,
    )
    cable_supplied_m: float | None = entry(
        None, "cable that comes with the sensor", "only its data sheet says; none is counted on", ge=0, lt=1000
    )
    cable_longest_m: float | None = entry(
        None,
        "longest run allowed with the conductor below",
        "only its data sheet says; the cable check names what it assumes",
        gt=0,
        lt=5000,
    )
    cable_conductor: str | None = entry(
        None,
        "conductor for the longest run, by gauge (`18 AWG`) or by cross-section (`1.5 mm2`)",
        "only its data sheet says; the cable check names what it assumes",
    )
    rated_sensor_height_m: float = entry(
        1.5,
        "height of the sensor's antenna when its range was rated",
        f"held by a person: {COMMON}",
        gt=0,
        lt=100,
    )
    rated_receiver_height_m: float = entry(
        1.5,
        "height of the receiver's antenna when the range was rated",
        f"eye height: {COMMON}",
        gt=0,
        lt=100,
    )
    transmit_dbm: float | None = entry(
        None,
        "power sent; with `sensitivity_dbm` it stands in for the rated range",
        "few data sheets give it",
        ge=-60,
        le=60,
    )
    sensitivity_dbm: float | None = entry(
        None, "least power the receiver hears", "few data sheets give it", ge=-180, le=0
    )
    gains_dbi: float = entry(
        0.0, "gain of both antennas together", "small built-in antennas gain nothing: " + COMMON, ge=-40, le=60
    )

    @field_validator("cable_conductor")
    @classmethod
    def _known(cls, text: str | None) -> str | None:
        if text is not None:
            conductor(text)  # a ValueError says how to write it
        return text

    @model_validator(mode="after")
    def _both_powers(self) -> Sensor:
        if (self.cable_supplied_m or 0.0) > (self.cable_longest_m or float("inf")):
            raise ValueError("cable_supplied_m is more than cable_longest_m allows")
        if (self.transmit_dbm is None) != (self.sensitivity_dbm is None):
            raise ValueError("transmit_dbm and sensitivity_dbm go together; give both, or neither")
        return self


class Reach(Section):
    probability: float = entry(
        0.9,
        "probability with which a link must hold to count as in reach",
        f"one link in ten may need a second look: {COMMON}",
        ge=0.5,
        le=0.999,
    )
    fade_margin_db: float = entry(
        6.0,
        "signal held back for rain, wet leaves, people and parked vans",
        f"a link over open ground may then use about half of the rated range: {COMMON}",
        ge=0,
        le=60,
    )
    building_class: Literal["traditional", "thermally_efficient"] = entry(
        "traditional",
        "kind of building round a receiver indoors (ITU-R P.2109); coated glass and foil make it `thermally_efficient`",
        "the commoner of the two; the other takes about 17 dB more",
    )
    wall_material: (
        Literal["concrete", "brick", "plasterboard", "wood", "glass", "chipboard", "plywood", "metal"] | None
    ) = entry(
        None,
        "material of one wall more before a receiver indoors: its loss (ITU-R P.2040) adds to the building's entry loss",
        "the building's entry loss alone, by `building_class`",
    )
    wall_thickness_m: float = entry(
        0.2, "thickness of that wall", f"a cast or built outer wall: {COMMON}", gt=0, le=3
    )
    repeaters: int = entry(0, "most repeaters that the layout may use", "each one is more to keep", ge=0, le=20)
    coverage_cell_m: float = entry(5.0, "cell of the coverage picture", "finer than a building", ge=1, le=100)


class Cable(Section):
    slack_share: float = entry(0.1, "cable added for bends and joints, share of the route", COMMON, ge=0, le=1)
    ends_m: float = entry(1.0, "cable added for both ends together", COMMON, ge=0, le=50)
    cell_m: float = entry(
        1.0, "cell of the grid on which routes are sought", "a wall's width is lost below that", ge=0.25, le=10
    )
    circuit: Literal["contact", "powered"] = entry(
        "contact",
        "`contact`: a dry contact or a resistor read through the wires; `powered`: the sensor draws `current_ma`",
        "the simpler kind: " + COMMON,
    )
    current_ma: float = entry(30.0, "current that a powered sensor draws", COMMON, gt=0, le=5000)
    supply_v: float = entry(24.0, "voltage at the controller", COMMON, gt=0, le=60)
    drop_share: float = entry(0.05, "largest share of the voltage that the wires may take", COMMON, gt=0, le=0.5)
    conductor_c: float = entry(
        50.0, "temperature of the conductor", "a run on a sunlit wall: " + COMMON, ge=-40, le=105
    )


class Prices(Section):
    per_length = True

    currency: str = entry("$", "sign before a price", "put your own")
    sensor: float = entry(
        400.0, "one sensor with its receiver, bought and mounted", f"a guess: {COMMON}", ge=0, le=1e9
    )
    receiver: float = entry(120.0, "one more receiver, at a further controller", f"a guess: {COMMON}", ge=0, le=1e9)
    repeater: float = entry(250.0, "one repeater, bought and mounted", f"a guess: {COMMON}", ge=0, le=1e9)
    link_test: float = entry(60.0, "testing one link on site", f"a guess: {COMMON}", ge=0, le=1e9)
    post: float = entry(
        0.0,
        "a new post on open ground, bought and set",
        "0: not priced, which the bill says; put your own",
        ge=0,
        le=1e9,
    )
    visit: float = entry(
        0.0,
        "one trip to a site: one to mount everything, one before it where links are tested",
        "0: not priced, which the bill says; put your own",
        ge=0,
        le=1e9,
    )
    cable_m: float = entry(2.0, "cable, a metre", f"a guess: {COMMON}", ge=0, le=1e9)
    copper_mm2_m: float = entry(
        0.6,
        "more for a metre of cable, for each mm2 that its conductor must be thicker than `sensor.cable_conductor`",
        f"two wires of 1 mm2 hold 18 g of copper a metre; a guess at three times its price: {COMMON}",
        ge=0,
        le=1e9,
    )
    wall_m: float = entry(8.0, "fixing it along a wall, a metre", f"a guess: {COMMON}", ge=0, le=1e9)
    lawn_m: float = entry(25.0, "trench in lawn or soil, a metre", f"a guess: {COMMON}", ge=0, le=1e9)
    paving_m: float = entry(70.0, "cutting and making good paving, a metre", f"a guess: {COMMON}", ge=0, le=1e9)
    road_m: float = entry(
        150.0,
        "boring under a road, a metre; also ground outside the site of which no layer tells",
        f"a guess: {COMMON}",
        ge=0,
        le=1e9,
    )
    inside_m: float = entry(20.0, "running it through a building, a metre", f"a guess: {COMMON}", ge=0, le=1e9)
    conduit_m: float = entry(4.0, "pulling it into a known conduit, a metre", f"a guess: {COMMON}", ge=0, le=1e9)


class NamedMount(Section):
    name: str = entry(..., "what the sheet calls it", min_length=1)
    x: float = entry(..., "easting or longitude, in `crs`")
    y: float = entry(..., "northing or latitude, in `crs`")
    crs: str = entry("EPSG:4326", "CRS of `x` and `y`", "longitude and latitude are what phones and maps show")
    height_m: float = entry(..., "height of the sensor above ground", ge=0, lt=500)
    support: str = entry(
        "as named in the plan", "what it is fixed to, in words for the sheet", "the plan's author knows"
    )


class Mounts(Section):
    spacing_m: float = entry(
        10.0,
        "distance between candidates along eaves and walls",
        "finer than the width of a usual obstacle's shade; 0.5 to 60",
        ge=0.5,
        le=60,
    )
    setback_m: float = entry(
        0.3,
        "how far inside the roof edge the mast stands",
        f"a parapet or eave bracket: {COMMON}",
        ge=0.05,  # on the edge itself, whether the roof or the wall is under it would be chance
        le=5,
    )
    wall_offset_m: float = entry(
        0.3, "how far a wall bracket stands off the wall", f"a usual arm: {COMMON}", gt=0, le=3
    )
    wall_drop_m: float = entry(
        0.15,
        "how far under the wall's top a wall bracket's head stands",
        f"under the flashing: {COMMON}",
        ge=0,
        le=5,
    )
    roof_edges: bool = entry(True, "try parapets and eaves", "the usual place")
    walls: bool = entry(
        True,
        "try wall tops, those that face the equator and the others",
        "the usual place where roofs are closed",
    )
    poles: bool = entry(True, "try the poles of `layers.poles`", "often the most open place")
    ground_spacing_m: float | None = entry(
        None, "grid of new posts on open ground", "no new posts: they mean digging", ge=2, le=200
    )
    ground_post_m: float = entry(
        3.0, "height of the sensor on a new post", f"above reach of passers-by: {COMMON}", gt=0, le=15
    )
    named: tuple[NamedMount, ...] = entry(
        (), "points of your own, judged like the rest (`[[mounts.named]]`)", "none"
    )
    choose: str | None = entry(
        None,
        "id or name of the mount to take, whatever the score says",
        "the best mount that meets every requirement",
    )

    @model_validator(mode="after")
    def _names_differ(self) -> Mounts:
        names = [point.name for point in self.named]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two named mounts are called '{twice[0]}'; give each a name of its own")
        return self


class Season(Section):
    months: tuple[int, ...] | None = entry(
        None,
        "irrigation months, 1 to 12",
        "from the climate: months whose ETo exceeds effective rain and that are warm enough to grow",
        min_length=1,
    )

    @model_validator(mode="after")
    def _in_range(self) -> Season:
        bad = [m for m in self.months or () if not 1 <= m <= 12]
        if bad or len(set(self.months or ())) != len(self.months or ()):
            raise ValueError(f"months must be different whole numbers from 1 to 12, not {list(self.months or ())}")
        return self


EtoUnit = Literal["mm/day", "mm/month", "in/day", "in/month"]


class ClimateLayer(Section):
    path: str = entry(
        ...,
        "raster of 12 bands, NetCDF or Zarr, or one file a month with `{mon}` (jan), `{mm}` (01) or `{m}` (1) in its name",
    )
    variable: str | None = entry(
        None, "variable inside a NetCDF or Zarr", "the file's only one, or the only one with the quantity's CF name"
    )
    unit: str | None = entry(
        None, "unit of the values; each layer lists its own below", "the file's own, where it states one"
    )
    crs: str | None = entry(None, "CRS of the file", "the file's own")


class ElevationLayer(RasterLayer):
    path: str = entry(
        ..., "raster of the elevation that the climate layers' cells stand for; any grid that covers them"
    )
    height_unit: LengthUnit = entry("m", "unit of the heights", "most open data are in metres")


class DailyTable(Section):
    path: str = entry(..., "CSV of a station's days")
    date: str = entry("date", "column of the date (2003-06-30)", "its usual name")
    eto: str = entry("eto", "column of the day's reference ETo", "its usual name")
    unit: Literal["mm/day", "in/day"] = entry("mm/day", "unit of `eto`", "the unit of FAO-56")


class Climate(Section):
    eto: ClimateLayer | None = entry(
        None,
        "monthly ETo (`mm/day`, `mm/month`, `in/day`, `in/month`)",
        "computed from the layers below, else estimated from the built-in layer",
    )
    tmin: ClimateLayer | None = entry(None, "mean daily minimum temperature (`C`, `K`, `F`)", "none")
    tmax: ClimateLayer | None = entry(None, "mean daily maximum temperature (`C`, `K`, `F`)", "none")
    tmean: ClimateLayer | None = entry(
        None, "mean temperature (`C`, `K`, `F`)", "mean of `tmin` and `tmax`, else the built-in layer"
    )
    radiation: ClimateLayer | None = entry(
        None, "solar radiation (`W/m2`, `MJ/m2/day`, `kJ/m2/day`)", "FAO-56 eq. 50 from the daily temperature range"
    )
    wind: ClimateLayer | None = entry(None, "wind speed (`m/s`, `km/h`, `mph`)", "FAO-56: 2 m/s")
    wind_height_m: float = entry(
        10.0, "height at which wind was measured", "the height of weather services", gt=0.2, le=200
    )
    rh_min: ClimateLayer | None = entry(
        None,
        "mean daily minimum relative humidity (`%`)",
        "FAO-56 eq. 48: dew point from the minimum temperature",
    )
    rh_max: ClimateLayer | None = entry(None, "mean daily maximum relative humidity (`%`)", "as `rh_min`")
    rh_mean: ClimateLayer | None = entry(
        None, "mean relative humidity (`%`); daily extremes or the dew point are surer", "as `rh_min`"
    )
    dew_point: ClimateLayer | None = entry(None, "dew point (`C`, `K`, `F`)", "as `rh_min`")
    vapour_pressure: ClimateLayer | None = entry(None, "actual vapour pressure (`kPa`, `hPa`, `Pa`)", "as `rh_min`")
    rain: ClimateLayer | None = entry(
        None, "rain (`mm/month`, `mm/day`, `in/month`, `kg/m2/s`)", "the built-in layer"
    )
    elevation: ElevationLayer | None = entry(
        None,
        "elevation of the climate layers' own cells",
        "the built-in layer's cells from the global grid in pvlib, as the ground under a site of unknown elevation; other layers are not lapsed to the site, and the result says so",
    )
    rain_from_deg: float | None = entry(
        None,
        "where wind-driven rain comes from, degrees clockwise from north (270: west)",
        "not judged: no layer tells it",
        ge=0,
        le=360,
    )
    weather: str | None = entry(
        None,
        "weather file of a year by the hour (EPW, TMY3 or PVGIS CSV), relative to the plan file: ETo by the ASCE standardized short reference, hour by hour, where no ETo layer speaks and it is surer than what the weather layers give; its wind at `wind_height_m`",
        "none",
    )
    weather_within_km: float = entry(
        100.0,
        "how far the weather file's station may be",
        "as `sun.weather_within_km`; the spread grows with the distance, and was measured to 150 km",
        gt=0,
        le=150,
    )
    daily: DailyTable | None = entry(
        None,
        "daily ETo of a station near the site: in how many of its years the zone is the same",
        "year-to-year variability is not told",
    )
    elevation_m: float | None = entry(
        None,
        "elevation for air pressure, where the plan has no terrain; it moves no temperature",
        "terrain at the site, else the ground by the built-in grid, and the result says so",
        ge=-430,
        le=6000,
    )
    method: Literal["auto", "penman-monteith", "hargreaves"] = entry(
        "auto",
        "how ETo is computed from layers",
        "Penman-Monteith where radiation, wind or humidity is given, else Hargreaves-Samani",
    )
    description: str | None = entry(
        None,
        "the climate in FAO-56 Table 2's words: `tropics` or `temperate`, then `humid` or `arid`",
        "read off the built-in layer",
    )
    spread_mm_day: float | None = entry(
        None,
        "standard deviation of peak-month ETo to use",
        "by the way it was found; the table of spreads is in examples/climate.md",
        gt=0,
        le=5,
    )
    built_in_estimate: bool = entry(
        True,
        "whether the built-in climate may answer where no layer and no weather file of yours does; `false`: such a site "
        "of a contract gets no zone, and a single site is refused",
        "a first answer everywhere, called an estimate and with its spread",
    )

    @model_validator(mode="after")
    def _some_eto(self) -> Climate:
        computed = self.tmin is not None and self.tmax is not None
        if not (self.built_in_estimate or computed or self.eto is not None or self.weather is not None):
            raise ValueError(
                "built_in_estimate is false, and nothing else gives ETo; give eto, tmin and tmax, or weather"
            )
        return self


class Zone(Section):
    table: str | None = entry(
        None,
        "CSV of your controller's zones: `label, low, high` of peak-month ETo; optional `peak` (the ETo that the controller takes for the zone's peak month), `t_low_c, t_high_c, description`",
        "our neutral table: equal bands of 1 mm/day",
    )
    unit: EtoUnit = entry("mm/day", "unit of `low` and `high` in the CSV", "the unit of FAO-56")


class Requirements(Section):
    min_direct_h_day: float = entry(
        6.0,
        "least direct sun, hours a day under a clear sky, in every irrigation month",
        "full sun is six hours and more (Oregon State University Extension); where the open sky itself gives less than this and a tenth more, nine tenths of what it gives",
        ge=0,
        le=24,
    )
    min_light_share: float = entry(
        0.9,
        "least share of the open sky's light received in the worst irrigation month",
        f"a tenth less light is about a tenth less water: {COMMON}",
        ge=0,
        le=1,
    )
    max_rain_angle_deg: float = entry(
        45.0,
        "steepest obstacle seen from the sensor",
        "as far away as it is high: WMO-No. 8 precipitation class 3",
        gt=0,
        le=90,
    )
    max_windward_angle_deg: float = entry(
        22.5,
        "steepest obstacle on the side that wind-driven rain comes from, 45 degrees to either side of `climate.rain_from_deg`",
        "a drop of 1 mm falls at 4 m/s (Gunn and Kinzer 1949, from memory): in a wind of 10 m/s it comes in at 22 degrees; half the angle above: common practice, no source",
        gt=0,
        le=90,
    )
    min_drip_margin_m: float = entry(
        1.0,
        "distance to keep from an eave overhead (a pitched roof's edge, higher than the sensor)",
        f"gutters overflow and splash: {COMMON}",
        ge=0,
        le=5,
    )
    max_height_m: float = entry(
        10.0,
        "greatest sensor height above ground that can be serviced",
        f"a long extension ladder: {COMMON}",
        gt=0,
        le=500,
    )
    min_spray_margin_m: float = entry(
        1.0, "distance to keep from spray", f"drift in a breeze: {COMMON}", ge=0, le=100
    )
    max_spray_height_m: float = entry(
        5.0,
        "height above ground up to which spray reaches; higher mounts keep no distance from it",
        f"top of a rotor's throw, and drift: {COMMON}",
        ge=0,
        le=100,
    )
    min_heat_margin_m: float = entry(
        3.0,
        "distance to keep from exhaust and other heat",
        f"{COMMON}; WMO-No. 8 temperature class 3 asks for 10 m",
        ge=0,
        le=200,
    )
    reach: Literal["every", "fewest", "any", "off"] = entry(
        "every",
        "controllers that must be in reach: `every` one; as the `fewest` sensors (and repeaters, where allowed) that "
        "serve all would share them; at least one (`any`); or not judged (`off`)",
        "one sensor serves the site; with `fewest`, a controller that no place reaches is named and the others are "
        "served",
    )
    max_range_share: float = entry(
        0.8,
        "share of the rated range that may be used, whatever the margin says; not asked where powers stand in for "
        "that range",
        f"the rated range is a maker's word, and high mounts look better than they are: {COMMON}",
        gt=0,
        le=1,
    )


class Weights(Section):
    light: float = entry(
        40.0,
        "share of sunlight received in the worst irrigation month",
        "missing light is missing water",
        ge=0,
        le=1e6,
    )
    rain: float = entry(15.0, "openness to rain", "rain is the second thing it measures", ge=0, le=1e6)
    reach: float = entry(
        30.0,
        "margin of the weakest link (of all on average where several sensors share), or of the longest cable",
        "a lost link is a return trip",
        ge=0,
        le=1e6,
    )
    access: float = entry(
        15.0,
        "ease of getting there: how far under `requirements.max_height_m` the sensor stands",
        "it is cleaned every year",
        ge=0,
        le=1e6,
    )

    @model_validator(mode="after")
    def _some(self) -> Weights:
        if self.light + self.rain + self.reach + self.access <= 0:
            raise ValueError("at least one weight must be above zero")
        return self


class SunSteps(Section):
    step_minutes: int = entry(
        10,
        "time step of the sun's path",
        "a shade's edge moves by 2.5 degrees of azimuth or less",
        ge=1,
        le=60,
    )
    day_step: int = entry(
        3,
        "every how many days of the year",
        "the sun's noon height moves by 1.2 degrees or less",
        ge=1,
        le=15,
    )
    terrain_km: float = entry(
        20.0,
        "how far the ground is searched for a horizon",
        "a 500 m hill at 20 km stands 1.3 degrees high",
        ge=0,
        le=100,
    )
    leaf_from: str | None = entry(
        None,
        "first day on which deciduous trees are in leaf, as `MM-DD`; goes with `leaf_until`",
        f"by latitude: 1 April, beyond 45 degrees 1 May, all year inside the tropics; half a year later in the south: {COMMON}",
    )
    leaf_until: str | None = entry(
        None, "last day in leaf, as `MM-DD`", "as `leaf_from`: 31 October, 30 April in the south"
    )
    crown_in_leaf: float = entry(
        0.2,
        "share of the sun's light that passes one crown in leaf",
        "Heisler (1986), sugar maple; measured elsewhere 0.01 to 0.35",
        gt=0,
        le=1,
    )
    crown_leafless: float = entry(
        0.6,
        "the same of a leafless crown",
        "Heisler (1986), sugar maple; measured elsewhere 0.40 to 0.70",
        gt=0,
        le=1,
    )
    crown_light: Literal["whole", "by path"] = entry(
        "whole",
        "`whole`: every crown on the way takes its share; `by path`: by the length of the way through it (Beer's law, the mean way lets the share above through)",
        "whole canopies were measured",
    )
    sky: Literal["isotropic", "hay-davies", "perez"] = entry(
        "hay-davies",
        "how the sky's own light is spread: `isotropic`: even; `hay-davies`, `perez`: part of it stands round the sun, and is lost with it",
        "a clear sky is bright round the sun; `isotropic` underrates what a shade takes (behind a wall at 40° in January twofold)",
    )
    weather: str | None = entry(
        None,
        "weather file of a year by the hour (EPW, TMY3 or PVGIS CSV), relative to the plan file: light is then weighed by real clouds",
        "a clear sky all year",
    )
    placing_sd_m: float = entry(
        0.1,
        "how far from the planned point the sensor will end up, standard deviation in each direction",
        f"fitted from a sheet with a tape: {COMMON}",
        ge=0,
        le=5,
    )
    heights_sd_share: float = entry(
        0.05,
        "how far heights of buildings and trees are off, standard deviation as a share",
        f"half a storey in ten: {COMMON}",
        ge=0,
        le=0.5,
    )
    crown_light_sd: float = entry(
        0.1, "standard deviation of what a crown lets through", "the spread of what was measured", ge=0, le=0.5
    )
    weather_within_km: float = entry(
        100.0,
        "how far the weather file's station may be",
        f"clouds of a year are shared that far over even country: {COMMON}",
        gt=0,
        le=1000,
    )

    @model_validator(mode="after")
    def _leaves(self) -> SunSteps:
        if (self.leaf_from is None) != (self.leaf_until is None):
            raise ValueError("leaf_from and leaf_until go together; give both, or neither")
        if self.crown_in_leaf > self.crown_leafless:
            raise ValueError("crown_in_leaf lets more light through than crown_leafless; leaves do not")
        self.leaf_dates()
        return self

    def leaf_dates(self) -> tuple[tuple[int, int], tuple[int, int]] | None:
        """First and last day in leaf as (month, day); None where the latitude is to tell them."""
        if self.leaf_from is None or self.leaf_until is None:
            return None
        return _month_day("leaf_from", self.leaf_from), _month_day("leaf_until", self.leaf_until)


def _month_day(key: str, text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d\d)-(\d\d)", text)
    try:
        if match is None:
            raise ValueError
        date(2024, int(match[1]), int(match[2]))
    except ValueError:
        raise ValueError(f"{key} should be a day as MM-DD, for example '04-16', not {text!r}") from None
    return int(match[1]), int(match[2])


class ContractSites(PointsLayer):
    name: str | None = entry(None, "attribute with the site's name", "row numbers stand in")
    key: str | None = entry(
        None, "attribute that `layers.controllers.site` and `layers.named.site` speak of", "the site's name"
    )
    elevation: str | None = entry(
        None, "attribute with the site's elevation", "unknown; built-in temperature is the ground's"
    )
    elevation_unit: Literal["m", "ft"] = entry("m", "unit of the elevations", "most open data are in metres")


class Contract(Section):
    sites: ContractSites = entry(
        ..., "site polygons or points; with `[layers]`, the outlines of sites that each get a mount too"
    )
    belongs_within_m: float = entry(
        30.0,
        "how far outside a site's outline a controller or named place may stand that names no site",
        f"across a street: {COMMON}",
        ge=0,
        le=2000,
    )


class StationColumns(Section):
    station: str | None = entry(None, "column of the station's name or number", "recognized by its name")
    controller: str | None = entry(None, "column of the controller", "recognized; else one controller")
    programme: str | None = entry(None, "column of the program", "recognized; else one program per controller")
    kind: str | None = entry(
        None, "column of the emission device: spray, rotor, drip, bubbler", "recognized by its name"
    )
    area: str | None = entry(None, "column of the area (ft2, m2)", "recognized by its name")
    flow: str | None = entry(None, "column of the flow (gpm, L/min, m3/h)", "recognized by its name")
    rate: str | None = entry(None, "column of the precipitation rate (in/h, mm/h)", "recognized by its name")
    catch: str | None = entry(
        None, "column of catch-can volumes in mL, separated by spaces or semicolons", "recognized"
    )
    catch_minutes: str | None = entry(
        None, "column of the minutes that the cans stood out", "recognized by its name"
    )
    catch_area: str | None = entry(None, "column of a can's opening (in2, cm2)", "recognized by its name")
    uniformity: str | None = entry(
        None, "column of the low-quarter distribution uniformity", "recognized by its name"
    )
    efficiency: str | None = entry(
        None, "column of an efficiency, in place of `uniformity`", "recognized by its name"
    )
    plant: str | None = entry(None, "column of the plant category", "recognized by its name")
    factor: str | None = entry(None, "column of the plant factor, share of ETo", "recognized by its name")
    soil: str | None = entry(None, "column of the soil texture", "recognized by its name")
    intake: str | None = entry(
        None, "column of the soil's basic intake rate (in/h, mm/h)", "recognized by its name"
    )
    slope: str | None = entry(None, "column of the slope (%)", "recognized by its name")
    root: str | None = entry(None, "column of the root depth (in, cm)", "recognized by its name")
    depletion: str | None = entry(None, "column of the allowed depletion (%)", "recognized by its name")
    pipe: str | None = entry(None, "column of the lateral's inside diameter (in, mm)", "recognized by its name")


class ManualProgramme(Section):
    programme: str = entry(..., "program as the station table names it; `*` for every one")
    controller: str | None = entry(None, "controller, where two have a program of that name", "any")
    reason: str = entry(..., "why it does not follow the weather yet: new planting, renovation, drip on trial")
    percent: float = entry(100.0, "percentage meanwhile", "the base run times as they are", ge=0, le=300)
    start: date | None = entry(None, "first day, as 2026-05-01", "the day of `programme.start`")
    days: int | None = entry(
        None,
        "days until weather adjustment takes over",
        "none: it stays manual until somebody changes it",
        ge=1,
        le=1100,
    )


WeekDay = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Programme(Section):
    stations: str | None = entry(
        None, "station table: CSV, XLSX, or a table of a GeoPackage", "needed for `programme`"
    )
    table: str | None = entry(None, "sheet or table inside that file", "the file's only one")
    columns_in: Units | None = entry(
        None, "`us` or `metric`: unit of columns whose heading names none", "the plan's"
    )
    columns: StationColumns = entry(StationColumns(), "which column means what")
    base_eto_mm_day: float | None = entry(
        None,
        "ETo that the 100% base stands for",
        "the peak-month ETo of the zone that is set, to which the controller's percentage refers",
        gt=0.5,
        le=20,
    )
    days: tuple[WeekDay, ...] = entry(
        ("mon", "tue", "wed", "thu", "fri", "sat", "sun"),
        "days on which watering is allowed",
        "no local rule known: local rules win",
        min_length=1,
    )
    window: str = entry(
        "20:00-10:00",
        "hours in which watering is allowed",
        "California, 23 CCR 492.10: overhead irrigation from 8 p.m. to 10 a.m.; a stricter local rule wins",
    )
    stations_at_once: int = entry(1, "stations of one controller that run together", COMMON, ge=1, le=50)
    supply_flow_l_min: float | None = entry(
        None, "flow that the supply gives each controller, L/min", "not checked", gt=0
    )
    supply_flow_gpm: float | None = entry(None, "the same in gallons a minute", "not checked", gt=0)
    plant_factor: float = entry(
        0.7,
        "plant factor where the table has none",
        "the share of ETo that EPA's water budget allows a landscape (EPA 2009)",
        gt=0,
        le=1.3,
    )
    soil: str = entry("loam", "soil texture where the table has none", f"the middle of the range: {COMMON}")
    rain: Literal["fao", "scs", "none"] = entry(
        "fao",
        "rain that counts in the year ahead: FAO Training Manual 3, USDA-SCS as in CROPWAT, or none",
        "the rule that the season is found by",
    )
    daily: str | None = entry(
        None, "daily weather of several years, for dry and wet years in the year ahead", "the mean year only"
    )
    budget: Literal["none", "mwelo residential", "mwelo non-residential", "epa"] = entry(
        "none", "water budget to check: California's MWELO, or EPA's 70% of peak-month ETo", "local rules differ"
    )
    restrictions: tuple[str, ...] = entry((), "local restrictions, printed on the sheet", "none named")
    rain_stop_mm: float = entry(
        6.35,
        "rain that should stop a program",
        "a quarter inch, as ordinances ask of a rain sensor (Kannapolis NC 17-45)",
        gt=0,
        le=50,
    )
    freeze_stop_c: float = entry(
        3.0, "air temperature that should stop a program", "37 to 40 F (Frisco TX, second hand)", ge=-5, le=10
    )
    start: date | None = entry(None, "the first day, as 2026-05-01", "the sheet leaves a line for it")
    manual: tuple[ManualProgramme, ...] = entry(
        (), "programs that do not follow the weather yet (`[[programme.manual]]`)", "all follow it"
    )

    @model_validator(mode="after")
    def _fits(self) -> Programme:
        if self.supply_flow_l_min is not None and self.supply_flow_gpm is not None:
            raise ValueError("supply_flow_l_min and supply_flow_gpm are both given; keep one")
        self.window_hours()
        return self

    def window_hours(self) -> float:
        """Hours of one night's watering window."""
        match = re.fullmatch(r"(\d?\d):(\d\d)\s*-\s*(\d?\d):(\d\d)", self.window.strip())
        if match is None or any(int(h) > 24 or int(m) > 59 for h, m in (match.group(1, 2), match.group(3, 4))):
            raise ValueError(f"window should be two times, for example '20:00-06:00', not {self.window!r}")
        begin, end = (int(match[k]) + int(match[k + 1]) / 60 for k in (1, 3))
        return (end - begin) % 24 or 24.0


class AsBuilt(Section):
    x: float | None = entry(None, "easting or longitude of the sensor as mounted, in `crs`", "as planned")
    y: float | None = entry(None, "northing or latitude", "as planned")
    crs: str = entry("EPSG:4326", "CRS of `x` and `y`", "longitude and latitude are what phones and maps show")
    height_m: float | None = entry(
        None, "height of the sensor above ground, as mounted", "as planned", ge=0, lt=500
    )
    support: str = entry("as mounted", "what it is fixed to, in words", "the sheet says no more")
    mounted: date | None = entry(None, "day of mounting, as 2026-05-01", "not told")
    zone: str | None = entry(None, "zone that was set at the controllers", "the zone of the answer")
    tested: tuple[str, ...] = entry((), "controllers that were seen to get a signal", "none tested")
    photos: tuple[str, ...] = entry((), "names of the photos taken", "none")
    horizon: str | None = entry(
        None,
        "measured horizon: CSV of azimuth and elevation in degrees, or a PVGIS horizon file (heights from north clockwise)",
        "not measured",
    )

    @model_validator(mode="after")
    def _place(self) -> AsBuilt:
        if (self.x is None) != (self.y is None):
            raise ValueError("x and y go together; give both, or neither")
        if self.x is not None and self.height_m is None:
            raise ValueError("a place needs height_m (or height_ft), the height of the sensor above ground")
        return self


class Review(Section):
    weather: str | None = entry(
        None,
        "daily weather of the log's days: AZMET, CIMIS, CoAgMET, AgriMet, GHCN-Daily, gridMET or KNMI files, or a plain table",
        "the month's normal ETo, and a much wider limit",
    )
    weather_latitude: float | None = entry(None, "latitude of that station", "the site's", ge=-90, le=90)
    weather_elevation_m: float | None = entry(None, "elevation of that station", "the site's", ge=-430, le=6000)
    weather_wind_height_m: float = entry(
        2.0, "height at which its wind was measured", "FAO-56's; many farm networks measure there", gt=0.2, le=200
    )
    date_column: str | None = entry(None, "the log's column of dates", "recognized by its name")
    percent_column: str | None = entry(None, "the log's column of the percentage", "recognized by its name")
    who_column: str | None = entry(None, "the log's column of who changed it", "recognized by its name")
    note_column: str | None = entry(None, "the log's column of notes or holds", "recognized by its name")
    date_order: Literal["auto", "day first", "month first", "year first"] = entry(
        "auto", "order of the log's dates", "told by the dates themselves, or asked for"
    )
    gaps: Literal["auto", "no change", "missing"] = entry(
        "auto",
        "what a day without an entry means",
        "told by the log: one that lists only changes has no equal neighbors",
    )
    zone: str | None = entry(None, "zone set at the controller", "`as_built.zone`, else the zone of the answer")
    base_mm_day: float | None = entry(
        None, "ETo that 100% stands for at the controller", "the peak-month ETo of that zone", gt=0.5, le=20
    )
    trailing_days: int = entry(
        3, "days whose mean ETo makes the day's percentage", f"a usual mean: {COMMON}", ge=1, le=31
    )
    lowest_percent: float = entry(
        0.0, "lowest percentage that the controller lets through", "no limit", ge=0, le=100
    )
    highest_percent: float = entry(
        300.0, "highest percentage that it lets through", "no limit in practice", ge=100, le=500
    )
    looks: int = entry(
        6,
        "how often a season the log is looked at; all looks share one false-alarm budget",
        "once a month in season",
        ge=1,
        le=60,
    )
    false_alarms: float = entry(0.02, "false alarms allowed a season", "one sound site in fifty", gt=0, le=0.5)
    noise_sd: float = entry(
        0.08,
        "spread of a day's percentage about what the station's weather expects, share",
        "between neighboring stations 5 to 17% was measured",
        ge=0.01,
        le=1,
    )
    constant_sd: float = entry(
        0.03,
        "how sure the expected level is, share (1 sd)",
        "yearly ratios of neighboring stations held within 0.5 to 2.3%; 3% leaves room for the equation",
        ge=0,
        le=0.5,
    )
    learn_until: date | None = entry(
        None,
        "last day of an earlier part of the log that was right: it teaches the level",
        "nothing is taken from the log",
    )
    settle_days: int = entry(
        3, "days after mounting that are not judged", f"the sensor has to fill its own mean: {COMMON}", ge=0, le=60
    )
    equation: Literal["unknown", "penman-monteith", "temperature and sun"] = entry(
        "unknown",
        "the sensor's own ETo formula, if its data sheet says",
        "few data sheets say; shade is then not looked for",
    )


class Outputs(Section):
    runners_up: int = entry(4, "how many runners-up get a card", "what a person can compare", ge=0, le=20)
    title: str | None = entry(None, "title of the map and the sheet", "the plan's title")
    sheet_pdf: bool = entry(
        True,
        "write the sheets as PDF too, where the extra `pdf` is installed: `sheet.pdf`, `programming.pdf`, `review.pdf`",
        "paper is what goes up a ladder",
    )
    paper: Literal["letter", "a4"] | None = entry(
        None,
        "paper of the PDF: `letter` or `a4`",
        "the usual one of `country`; where that is not said, `letter` with `us` units, else `a4`",
    )
    places: tuple[Literal["kml", "gpx", "geojson"], ...] = entry(
        ("kml", "gpx", "geojson"),
        "files of one site's places (sensors, repeaters, controllers, cables): `places.kml`, `.gpx`, `.geojson`",
        "phones and map programs read one or another of them",
    )
    bill: tuple[Literal["csv", "xlsx"], ...] = entry(
        ("csv", "xlsx"),
        "files of the bill, of a site or of a contract with `[layers]`: `bill.csv`, `bill.xlsx`",
        "a bid is made in a spreadsheet",
    )
    sites: tuple[Literal["gpkg", "parquet", "csv", "xlsx"], ...] = entry(
        ("gpkg", "parquet", "csv"),
        "files of a contract's sites: GeoPackage, GeoParquet, CSV, or a workbook of up to 1,048,575 sites",
        "each is some program's only one; for a million sites GeoParquet alone is quickest",
    )
    map: bool = entry(True, "draw a contract's map", "a map shows what a table hides")
    site_maps: bool = entry(
        False,
        "of a contract with `[layers]`: each site's own `map.html` and `sheet.html`, in `sites/NAME`",
        "the contract's map and tables have them all; a map is about a megabyte",
    )
    site_sheets: bool = entry(
        False,
        "of a contract with `[layers]`: the field sheets of all sites in one PDF, `sheets.pdf`, behind an index; "
        'needs `pip install "noonmark[pdf]"`',
        "a sheet is for those who drive there",
    )
    light_grid: bool = entry(
        False,
        "light over the whole site: a layer of the map, and `light.tif` (sunlight received and direct sun by month)",
        "the mounts have their own numbers; a grid takes longer",
    )
    light_cell_m: float = entry(
        5.0,
        "width of the grid's cells; they grow where a site would have more than 60,000",
        "finer than a building",
        ge=0.5,
        le=500,
    )


class Plan(Section):
    title: str = entry("Untitled site", "name of the job", "says that nobody named it")
    units: Units = entry("metric", "`us` or `metric`: units of what people read", "the unit of the standards")
    time_zone: str | None = entry(
        None,
        "IANA name of the site's time zone, for example `America/Phoenix`: hours of sun are then said by the clock",
        "hours are true solar time, and say so",
    )
    country: str | None = entry(
        None,
        "country of the site, two letters of ISO 3166 (`US`): cautions then name its law, where we know it",
        "cautions say what is common practice and leave the numbers to local law",
        pattern="^[A-Z]{2}$",
    )
    data_hosts: tuple[str, ...] = entry(
        (),
        'hosts that a file of data may fetch from, for example `["maps.example.gov"]`; what comes from there is yours '
        "to judge",
        "nothing is fetched: a file (VRT, WMS, WCS, WFS) that would is refused",
    )
    layers: Layers | None = entry(None, "layers of one site (`noonmark site`)", "needed for `site` and `check`")
    contract: Contract | None = entry(None, "many sites (`noonmark contract`)", "needed for `contract`")
    drawing: Drawing = entry(Drawing(), "where DXF drawings lie, and how they are read")
    sensor: Sensor = entry(Sensor(), "the sensor and its link")
    reach: Reach = entry(Reach(), "how radio links are judged")
    cable: Cable = entry(Cable(), "how cables are routed and checked")
    prices: Prices = entry(Prices(), "prices for comparing radio with cable")
    mounts: Mounts = entry(Mounts(), "where to look for mounts")
    season: Season = entry(Season(), "the irrigation season")
    climate: Climate = entry(Climate(), "climate layers")
    zone: Zone = entry(Zone(), "the zone table")
    requirements: Requirements = entry(Requirements(), "what a mount must meet")
    weights: Weights = entry(Weights(), "what the score is made of")
    sun: SunSteps = entry(SunSteps(), "how the sun is stepped, and what tree canopies and sky let through")
    outputs: Outputs = entry(Outputs(), "what is written")
    programme: Programme = entry(
        Programme(), "base run times, the year ahead, the first day (`noonmark programme`)"
    )
    as_built: AsBuilt = entry(AsBuilt(), "what was found on site")
    review: Review = entry(Review(), "the log against expectation (`noonmark review`)")

    @model_validator(mode="before")
    @classmethod
    def _outlines_of_a_contract(cls, given: Any) -> Any:
        """`[layers]` of a contract need no site of their own: its outlines are those of the contract's sites."""
        if not isinstance(given, dict) or not isinstance(given.get("layers"), dict):
            return given
        sites = given["contract"].get("sites") if isinstance(given.get("contract"), dict) else None
        if not isinstance(sites, dict) or "site" in given["layers"]:
            return given
        same = {key: sites[key] for key in ("path", "layer", "crs", "where", "name") if key in sites}
        return {**given, "layers": {"site": same, **given["layers"]}}

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str | None) -> str | None:
        if name is not None:
            try:
                ZoneInfo(name)
            except (OSError, ValueError, KeyError):
                raise ValueError(
                    f"'{name}' is no time zone; {nearest(name, available_timezones())[:200]}"
                ) from None
        return name
