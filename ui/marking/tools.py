"""What can be marked on a photo, and what is asked of each mark: a table for the canvas."""

from __future__ import annotations

from typing import Any

__all__ = ["tools_for"]

_SURFACES = [[name, name] for name in ("mesial", "occlusal", "distal", "facial", "lingual")]
_SIDES = [["mesial", "mesial"], ["distal", "distal"]]
_WAYS = [["direct", "directly"], ["mirror", "in the mirror"]]
_SEEN = {"name": "seen_in", "words": "Seen", "kind": "choice", "choices": _WAYS, "empty": "directly"}


def _number(name: str, words: str, empty: str = "", of: tuple[str, ...] = (), must: bool = False) -> dict[str, Any]:
    return {"name": name, "words": words, "kind": "number", "empty": empty, "must": must, **({"of": list(of)} if of else {})}


def _reference(known_lengths: list[str], instruments: list[dict[str, Any]]) -> dict[str, Any]:
    kinds = [
        ["rule", "rule with a scale"], ["strip", "printed strip"], ["rod", "rod of known diameter"], ["probe", "probe with measured marks"],
        ["known_length", "known length of this tooth"], ["two_points", "two points of known distance"],
    ]  # fmt: skip
    names = [[name, name] for name in known_lengths]
    return {
        "role": "reference", "words": "Reference", "closed": False, "pen": "reference",
        "starts": instruments[0] if instruments else {"kind": "rule", "tick_mm": 1},
        "own": instruments,
        "findable": ["rule", "strip"],
        "help": "What gives this photo its millimetres.",
        "helps": {
            "rule": "Click at one end of the graduations and at the other, along their middle. Enter ends the line.",
            "strip": "Let the tool find it: the printed patterns must be in view.",
            "rod": "Click on one edge of the shaft and straight across on the other; or draw a line along each edge.",
            "probe": "Click along the shaft, from before the first mark to behind the last.",
            "known_length": "Click on the two landmarks between which the caliper was set.",
            "two_points": "Click on the two points.",
        },
        "fields": [
            {"name": "kind", "words": "Kind", "kind": "choice", "choices": kinds, "must": True,
             "starts": {"rule": {"tick_mm": 1}}},
            _number("tick_mm", "One graduation, mm", "1", ("rule",)),
            _number("diameter_mm", "Diameter, mm", of=("rod",), must=True),
            {"name": "marks_mm", "words": "Marks from the tip, mm", "kind": "numbers", "of": ["probe"], "empty": "3 6 9 12", "must": True},
            {"name": "name", "words": "Length", "kind": "choice", "choices": names, "of": ["known_length"], "empty": "another, see below"},
            _number("length_mm", "Length, mm", of=("known_length", "two_points")),
            _number("u_mm", "Its standard uncertainty, mm", "default of the kind", ("rod", "probe", "known_length", "two_points")),
            {"name": "id", "words": "Which instrument", "kind": "text", "empty": "its mark, if it has one", "of": ["rule", "rod", "probe"]},
            _number("offset_mm", "Nearer to the camera than the tooth, mm", "0"),
            _number("u_offset_mm", "How well that is known, mm", "not stated"),
            _SEEN,
        ],
    }  # fmt: skip


_FACIAL = {
    "role": "facial_surface", "words": "Facial surface", "closed": True, "snaps": True, "proposes": True,
    "help": "Go round the facial surface of the tooth, metal included; without gum and neighbours.",
    "fields": [_number("slope_deg", "Slope to the line of sight, degrees"), _number("u_slope_deg", "Its uncertainty, degrees"), _SEEN],
}  # fmt: skip
_OCCLUSAL = {
    "role": "occlusal_surface", "words": "Occlusal surface", "closed": True, "snaps": True,
    "help": "Go round the occlusal surface of the tooth, metal included.", "fields": [_SEEN],
}  # fmt: skip
_METAL = {
    "role": "metal", "words": "Metal showing", "closed": True, "snaps": True, "many": True, "findable": True,
    "help": "Go round the metal that shows, one outline for each piece; or let the tool find it and look at what it found.",
    "fields": [_SEEN], "starts": {"source": "reader"},
}  # fmt: skip
_MARGIN = {
    "role": "margin", "words": "Margin", "closed": False, "snaps": True, "many": True,
    "help": "Follow the border between casting and tooth as far as it can be seen.",
    "fields": [{"name": "surface", "words": "Surface", "kind": "choice", "choices": _SURFACES, "must": True}, _SEEN],
}  # fmt: skip
_GUM = {
    "role": "gingival_margin", "words": "Gingival margin", "closed": False, "snaps": True,
    "help": "Follow the edge of the gingiva along this tooth.", "fields": [_SEEN],
}  # fmt: skip
_SITE = {
    "role": "fit_site", "words": "Interface", "closed": False, "snaps": True, "many": True,
    "help": "Follow the interface between casting and tooth, from the margin inwards.",
    "fields": [
        {"name": "surface", "words": "Side", "kind": "choice", "choices": _SIDES, "must": True},
        {"name": "bound", "words": "The tooth there is", "kind": "choice", "choices": [["enamel", "enamel"], ["dentine", "dentine"]]},
    ],
}  # fmt: skip


def _landmark(role: str, words: str, help_: str) -> dict[str, Any]:
    side = {"name": "surface", "words": "Side", "kind": "choice", "choices": _SIDES, "must": True}
    return {"role": role, "words": words, "closed": False, "point": True, "many": True, "help": help_, "fields": [side]}


_RADIOGRAPH = (
    _SITE,
    _landmark("restoration_margin", "Lowest point of the casting", "Click on the end of the casting at this side."),
    _landmark("alveolar_crest", "Crest of the bone", "Click on the crest of the alveolar bone at this side."),
)
_OF_VIEW = {
    "bitewing": _RADIOGRAPH,
    "occlusal": (_OCCLUSAL, _METAL, _MARGIN),
    "facial": (_FACIAL, _METAL, _MARGIN, _GUM),
}


def tools_for(view: str, known_lengths: list[str], instruments: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Tools offered on a photo of this view, the reference first; a margin begins as one of the surface that the view is of."""
    margin = {**_MARGIN, "starts": {"surface": view}} if [view, view] in _SURFACES else _MARGIN
    tools = [margin if tool is _MARGIN else tool for tool in _of(view)]
    return [_reference(known_lengths, instruments), *tools]


def _of(view: str) -> tuple[dict[str, Any], ...]:
    return _OF_VIEW.get(view, (_FACIAL, _OCCLUSAL, _METAL, _MARGIN, _GUM))
