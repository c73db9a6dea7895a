"""Words of open layers as a plan's own: shapes of roofs, and how trees keep their leaves.

Shapes are those of Overture's schema, OpenStreetMap's `roof:shape`, 3DBAG and Vancouver. Which genera keep their
leaves is common botany, from memory; genera that do both are told by the species where that is known, else left.
"""

from __future__ import annotations

import re
from types import MappingProxyType

# as columns.kinds spells them: small letters, words joined by "_"; "" for what says nothing
_PITCHED = """
    gable gabled hip hipped half_hipped side_hipped side_half_hipped hipped_and_gabled pyramidal gambrel mansard
    skillion shed saltbox double_saltbox quadruple_saltbox sawtooth dome onion round spherical cone conical
    crosspitched lean_to butterfly slanted
"""
_UNTOLD = "unknown many complex other no_points no_planes could_not_detect"
ROOFS = MappingProxyType(
    {
        **dict.fromkeys(("horizontal", "multiple_horizontal"), "flat"),
        **dict.fromkeys(_PITCHED.split(), "pitched"),
        **dict.fromkeys(_UNTOLD.split(), ""),
    }
)
LEAVES = MappingProxyType(
    {
        **dict.fromkeys(("semi_evergreen", "needleleaved", "conifer", "coniferous", "sempervirens"), "evergreen"),
        **dict.fromkeys(("semi_deciduous", "caducous", "leafless"), "deciduous"),
        **dict.fromkeys(("mixed", "broadleaved", "broadleaf", "unknown"), ""),
    }
)

_EVERGREEN = """
    abies acacia agonis araucaria arbutus brachychiton callistemon calocedrus casuarina cedrus
    ceratonia chamaecyparis cinnamomum citrus corymbia cryptomeria cupressus dypsis eriobotrya
    eucalyptus geijera grevillea hesperocyparis ilex juniperus laurus ligustrum lophostemon
    lyonothamnus maytenus melaleuca metrosideros nerium olea persea phoenix photinia picea pinus
    pittosporum podocarpus pseudotsuga rhaphiolepis sabal schinus sequoia sequoiadendron syagrus
    taxus thuja trachycarpus tristaniopsis tsuga washingtonia
"""
_DECIDUOUS = """
    acer aesculus ailanthus albizia alnus amelanchier betula carpinus carya castanea catalpa celtis
    cercidiphyllum cercis chilopsis cladrastis cornus corylus crataegus davidia fagus fraxinus
    ginkgo gleditsia gymnocladus jacaranda juglans koelreuteria lagerstroemia larix liquidambar
    liriodendron magnolia malus metasequoia morus nyssa ostrya oxydendrum parkinsonia parrotia
    paulownia pistacia platanus populus prosopis prunus pyrus quercus robinia salix sapium sophora
    sorbus styphnolobium styrax syringa taxodium tilia triadica ulmus vitex zelkova
"""
_GENERA = {**dict.fromkeys(_EVERGREEN.split(), "evergreen"), **dict.fromkeys(_DECIDUOUS.split(), "deciduous")}
# species that keep their leaves in genera that mostly do not
_KEEPING = {
    "quercus": "agrifolia chrysolepis fusiformis geminata ilex suber tomentella virginiana wislizeni laurifolia",
    "magnolia": "grandiflora",
    "prunus": "caroliniana ilicifolia laurocerasus lusitanica lyonii",
    "pistacia": "lentiscus",
    "fraxinus": "uhdei griffithii",
    "cornus": "capitata",
    "ulmus": "parvifolia-sempervirens",
}


def leaf_of(species: str) -> str:
    """Leaf habit by a botanical name.

    Parameters
    ----------
    species
        Genus first; upper or lower case, with or without the rest.

    Returns
    -------
    str
        'evergreen' or 'deciduous'; '' where that does not tell.

    Examples
    --------
    >>> leaf_of("Quercus agrifolia"), leaf_of("Quercus rubra 'Aurea'"), leaf_of("PINUS sp."), leaf_of("Oak")
    ('evergreen', 'deciduous', 'evergreen', '')
    """
    said = re.findall(r"[a-z]+", species.lower())
    if not said:
        return ""
    genus, rest = said[0], said[1:]
    if any(word in _KEEPING.get(genus, "").split() for word in rest[:2]):
        return "evergreen"
    return _GENERA.get(genus, "")
