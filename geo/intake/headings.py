"""Headings of columns -> property or role, unit and method."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache

from geo.intake.reading import Column
from geo.intake.tongues import (
    IDLE,
    NOT_A_CONTENT,
    PH_WORDS,
    PROPERTY_WORDS,
    ROLE_WORDS,
    folded,
    in_english,
    without_accents,
)
from geo.lookup import properties
from geo.rating.methods import match_method, plain
from geo.units import COMPOUNDS, split_unit, unit_words

#: Role of a column that is not a soil property -> headings, as `plain` writes them.
ROLES: Mapping[str, tuple[str, ...]] = {
    "id": (
        "id", "sample", "sample id", "sampleid", "sample no", "sample no.", "sample number",
        "sample nr", "sample name", "sample ref", "station", "station id", "point", "point id",
        "spot", "bag", "bag no", "field id", "name", "label", "ref", "reference", "your ref",
        "client id", "no", "no.", "nr", "monster", "muestra", "probe",
    ),
    "lab no": ("lab no", "lab no.", "lab number", "lab id", "lab nr", "lab ref", "barcode"),
    "lat": ("lat", "latitude", "lat.", "lat dd", "gps lat", "breite", "latitud"),
    "lon": ("lon", "long", "longitude", "lng", "long.", "lon dd", "gps lon", "gps long",
            "longitud"),
    "east": ("x", "east", "easting", "x m", "x coord", "e", "westing", "rechtswert"),
    "north": ("y", "north", "northing", "y m", "y coord", "n coord", "southing", "hochwert"),
    "place": ("coordinates", "position", "lat lon", "lat, lon", "latlon", "gps", "location"),
    "depth": ("depth", "depth cm", "sample depth", "sampling depth", "layer", "depth layer"),
    "top": ("top", "depth top", "upper", "depth from", "from", "top cm", "upper depth"),
    "bottom": ("bottom", "depth bottom", "lower", "depth to", "to", "bottom cm", "lower depth"),
    "date": ("date", "sampled", "date sampled", "sampling date", "sampled on", "sample date",
             "collected", "date (yyyy-mm-dd)"),
    "lab date": ("date received", "received", "reported", "report date", "date reported",
                 "date analysed", "analysed", "date in", "date out"),
    "block": ("block", "block name", "field", "vineyard", "camp", "paddock", "site"),
    "corner": ("corner", "corner no", "corner nr", "corner id", "vertex", "corners"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "mark", "flag"),
    "time": ("time", "timestamp", "datetime", "date time", "utc"),
    "hdop": ("hdop", "accuracy", "precision", "accuracy m"),
    "elevation": ("elevation", "ele", "alt", "altitude", "height", "z"),
    "zone": ("zone", "where", "part", "strip"),
    "stage": ("stage", "growth stage", "phenological stage", "timing"),
    "organ": ("organ", "plant part", "tissue", "leaf part", "sample type"),
    "product": ("product", "material", "fertilizer", "fertiliser", "what"),
    "amendment": ("amendment",),
    "analysis": ("analysis", "content", "composition", "grade"),
    "rate": ("rate", "planned rate", "dose", "applied rate", "application rate", "rate applied"),
    "area": ("area", "done", "area done", "treated area"),
    "placement": ("placement", "how"),
    "target": ("target", "target rate", "set rate", "prescribed rate"),
    "actual": ("actual", "actual rate", "as applied", "applied"),
    "speed": ("speed", "speed kmh", "ground speed"),
    "unit": ("unit", "units", "rate unit"),
}  # fmt: skip

#: Words that make a column something else than the content of the element it names.
_NOT_A_CONTENT = re.compile(
    r"\b(sat|saturation(?! extract)|ratio|rating|index|level|class|recommend\w*|requirement|req|"
    rf"target|of cec|optimum|status|interpretation|{NOT_A_CONTENT})\b"
)

#: Words in brackets that are a unit of something else than a content.
_LENGTHS = ("cm", "mm", "m", "in", "inch", "inches", "ha", "t/ha", "km/h")

#: Words beside a property that say nothing of the method.
_IDLE = frozenset(("soil", "extractable", "available", "plant", "conc", "content", "as", "by", "in",
                   "conc.", "and", "ext", "ext.", "mineral")) | IDLE  # fmt: skip


@cache
def _headings() -> Mapping[str, str]:
    """Heading as `plain` writes it -> property key."""
    foreign = {word: key for key, words in PROPERTY_WORDS.items() for word in words}
    return foreign | {
        plain(heading): key
        for key, entry in properties().items()
        for heading in (*entry.headings, key)
    }


@cache
def _folded_headings() -> Mapping[str, str]:
    """The same without the marks between their words."""
    return {folded(heading): key for heading, key in _headings().items() if len(heading) > 2}


@cache
def _roles() -> Mapping[str, str]:
    named = {heading: role for role, headings in ROLES.items() for heading in headings}
    foreign = {word: role for role, words in ROLE_WORDS.items() for word in words}
    return foreign | {folded(heading): role for heading, role in named.items()} | named


def is_unit(text: str) -> bool:
    """Whether a text is a unit that laboratories write.

    Examples
    --------
    >>> is_unit("cmol(+)/kg"), is_unit("mg/kg P2O5"), is_unit("H2O")
    (True, True, False)
    """
    return split_unit(text)[0] in unit_words()


def read_heading(
    heading: str,
    *,
    group: str = "",
    unit: str = "",
    columns: Mapping[str, str] | None = None,
) -> Column:
    """A column as its heading, the heading over several columns, and the unit below say.

    Parameters
    ----------
    heading, group, unit : str
        Texts of the header line, of the line above it, and of the line of units.
    columns : mapping, optional
        Heading -> property key or role, said by a person.

    Examples
    --------
    >>> read_heading("K NH4OAc ppm")
    Column(heading='K NH4OAc ppm', key='k', unit='ppm', method='NH4OAc pH 7')
    >>> read_heading("pH (KCl)").key, read_heading("pH buffer").key, read_heading("% K sat").key
    ('ph_kcl', 'buffer_ph', '')
    """
    words, own_unit = split_heading(heading)
    unit = unit.strip() or own_unit
    given = _given(heading, columns or {})
    if given is not None:
        method = _method(given, words, group) if given in properties() else ""
        return Column(heading, given, _with_compound(given, words, unit), method)
    role = next(filter(None, map(_roles().get, (words, plain(heading), folded(words)))), None)
    if role and words not in _headings():
        return Column(heading, role, unit, "")
    key = property_of(words)
    if not key:
        return Column(heading, "", unit, "")
    unit = unit or split_heading(words.split(" (")[0])[1]
    return Column(heading, key, _with_compound(key, words, unit), _method(key, words, group))


def _given(heading: str, columns: Mapping[str, str]) -> str | None:
    for name, key in columns.items():
        if plain(name) == plain(heading):
            return key
    return None


def split_heading(heading: str) -> tuple[str, str]:
    """A heading without its unit, and the unit.

    Examples
    --------
    >>> split_heading("P Olsen mg/kg"), split_heading("Depth (cm)"), split_heading("K_ppm")
    (('p olsen', 'mg/kg'), ('depth', 'cm'), ('k', 'ppm'))
    """
    text = without_accents(plain(heading)).strip(" :*")
    text = re.sub(r" (t|kg|lb) (ha|ac)$", r" \1/\2", text)
    inside = re.fullmatch(r"(.+?)\s*[\(\[]([^()\[\]]*(?:\(\+\)[^()\[\]]*)?)[\)\]]", text)
    if inside and (is_unit(inside[2]) or inside[2] in _LENGTHS):
        return inside[1].strip(), inside[2]
    words = text.split(" ")
    for count in (3, 2, 1):
        tail = " ".join(words[-count:])
        # "Lime index" is a scale of its own, not lime counted in indices.
        unit = is_unit(tail) and tail != "index"
        if len(words) > count and (unit or tail in ("cm", "t/ha", "ha")):
            return " ".join(words[:-count]), tail
    if len(words) > 1 and words[0] == "%":
        return " ".join(words[1:]), "%"
    if text.startswith("%") and len(text) > 1:
        return text[1:], "%"
    return text, ""


def property_of(words: str) -> str:
    """Property that a heading without its unit names; empty if none for sure.

    Examples
    --------
    >>> property_of("olsen p"), property_of("ph in kcl"), property_of("p index")
    ('p', 'ph_kcl', '')
    """
    known = _headings()
    if words in known:
        return known[words]
    if found := _folded_headings().get(folded(words)):
        return found
    if _NOT_A_CONTENT.search(words):
        return ""
    if re.match(r"(soil |water |salt )?b?ph(?!os)", words):
        return _kind_of_ph(words)
    remark = re.fullmatch(r"(.+?)\s*\(.+\)", words)
    if remark and (key := known.get(split_heading(remark[1])[0])):
        return key
    # The pH of an extractant says nothing of the pH of the soil.
    words = re.sub(r" (at )?ph [78](\.\d)?$", "", words)
    tokens = re.sub(r"[()\[\],;]", " ", words).split()
    for count in range(len(tokens), 0, -1):
        for part, rest in ((tokens[:count], tokens[count:]), (tokens[-count:], tokens[:-count])):
            key = known.get(" ".join(part))
            if key and _belongs(key, rest):
                return key
    return ""


def _kind_of_ph(words: str) -> str:
    kinds = (
        ("buffer_ph", r"buf|smp|sikora|mehlich|adams|woodruff|\bbph"),
        ("ph_kcl", r"kcl"),
        ("ph_cacl2", r"ca ?cl|phca|salt"),
        ("ph_water", r"water|h2o|\d:\d|paste|^ph$|soil"),
        *PH_WORDS,
    )
    return next((key for key, pattern in kinds if re.search(pattern, words)), "")


def _belongs(key: str, rest: Iterable[str]) -> bool:
    """Whether the words beside a property's name can be its method."""
    words = [word for word in rest if word not in _IDLE]
    if not words:
        return True
    text = " ".join(words)
    if any(_headings().get(word) for word in words if len(word) <= 2):
        return False
    return bool(match_method(key, text)) or not re.search(r"[/:%]", text)


def _method(key: str, words: str, group: str) -> str:
    """Method in the words of methods.csv; the words themselves where it does not know them."""
    for compound in COMPOUNDS:
        words = re.sub(rf"(?<![\w-]){compound.lower()}(?![\w-])", "", words).strip()
    words = in_english(words)
    for text in (words, words.replace(" ", ""), plain(group)):
        found = match_method(key, text) if text else None
        if found and found.method != "*":
            return found.method
    named = {plain(h) for h in (*properties()[key].headings, key, *PROPERTY_WORDS.get(key, ()))}
    if words in named or folded(words) in named:
        return ""
    rest = [w for w in re.sub(r"[()\[\],;]", " ", words).split() if w not in named | _IDLE]
    return " ".join(rest)


def _with_compound(key: str, words: str, unit: str) -> str:
    """The unit, with the oxide or ion that the heading says the values are expressed as."""
    if key not in properties() or key == "caco3" or split_unit(unit)[1]:
        return unit
    for compound in COMPOUNDS:
        if re.search(rf"(?<![\w-]){compound.lower()}(?![\w-])", words):
            return f"{unit} {compound}".strip()
    return unit


def read_method_words(text: str, keys: Sequence[str]) -> dict[str, str]:
    """Methods that a line below the table names, by property.

    Properties that are listed one after the other share the method that follows or leads them.

    Examples
    --------
    >>> words = "Methods: pH 1:2.5; K, Ca, Mg and Na NH4OAc pH 7, P Mehlich-3."
    >>> read_method_words(words, ("ph_water", "k", "ca", "mg", "na", "p"))["na"]
    'NH4OAc pH 7'
    """
    methods: dict[str, str] = {}
    waiting: list[str] = []
    text = re.sub(r"^\s*\w*\s*methods?\b[^:]*:", "", text, flags=re.IGNORECASE)
    for part in re.split(r"[;,]|\.\s|\.$|\band\b|/(?=\s)", text):
        named = [key for key in _named_in(part, keys) if key not in waiting]
        found = {
            key: match
            for key in (*waiting, *named)
            if (match := match_method(key, part)) and match.method not in ("*", "")
        }
        waiting = [*waiting, *named]
        if found:
            methods.update(
                {key: match.method for key, match in found.items() if key not in methods}
            )
            waiting = []
    return methods


def _named_in(part: str, keys: Sequence[str]) -> list[str]:
    """Properties named in a few words, by symbol (as printed) or by name."""
    bare = re.sub(r"\bpH\s*[78](?:\.\d)?(?!\S)|\(H2PO4\)2|NH4OAc|Ca-phosphate", " ", part)
    kinds = {"pH": ["ph_water", "ph_kcl", "ph_cacl2"]}
    named = []
    for word in re.findall(r"[A-Za-z][\w-]*(?:\s?\([\w .:-]+\))?", bare):
        plain_word = plain(word)
        bare_word = re.split(r"[\s(]", word)[0]
        if bare_word in kinds:
            kind = _kind_of_ph(plain(part))
            named += [kind] if kind else kinds["pH"]
        elif bare_word in {properties()[key].symbol for key in keys} or len(plain_word) > 2:
            key = _headings().get(plain_word) or _headings().get(plain(bare_word), "")
            named += [key]
    return [key for key in dict.fromkeys(named) if key in keys]
