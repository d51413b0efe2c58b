"""Headings and cell words of German, French, Spanish, Portuguese, Italian and Afrikaans files.

Words of everyday language and the names of the elements; no source is needed for them. Written as
`folded` leaves them: lower case, without accents and with blanks in place of marks.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

#: Property key -> headings. What is only a part of a property (fine silt, active lime) is not here.
PROPERTY_WORDS: Mapping[str, tuple[str, ...]] = {
    "buffer_ph": ("puffer ph", "tampon ph", "ph tampon", "ph tampao", "ph tampone"),
    "om": (
        "humus", "humusgehalt", "organische substanz", "matiere organique", "m o",
        "materia organica", "sostanza organica", "organiese materiaal",
    ),
    "oc": (
        "corg", "c org", "organischer kohlenstoff", "carbone organique", "carbono organico",
        "carbonio organico", "organiese koolstof",
    ),
    "p": ("phosphor", "phosphore", "fosforo", "fosfor", "phosphat"),
    "k": ("kalium", "potasio", "potassio"),
    "ca": ("kalzium", "calcio", "kalsium"),
    "mg": ("magnesio",),
    "na": ("natrium", "sodio"),
    "s": ("schwefel", "soufre", "azufre", "enxofre", "zolfo", "swael", "swawel"),
    "zn": ("zink", "cinc", "zinco", "sink"),
    "mn": ("mangan", "manganeso", "manganes", "mangaan"),
    "fe": ("eisen", "fer", "hierro", "ferro", "yster"),
    "cu": ("kupfer", "cuivre", "cobre", "rame", "koper"),
    "b": ("bor", "bore", "boro", "boor"),
    "cl": ("chlorid", "chlorure", "chlorures", "cloruro", "cloruros", "cloreto", "chloried"),
    "no3_n": ("nitrat n", "azote nitrique", "n nitrico"),
    "al": ("aluminio", "alluminio"),
    "ec": (
        "leitfahigkeit", "elektrische leitfahigkeit", "conductivite", "conductivite electrique",
        "conductividad", "conductividad electrica", "condutividade", "condutividade eletrica",
        "conducibilita", "conducibilita elettrica", "geleiding",
    ),
    "clay": ("ton", "tongehalt", "argile", "argiles", "arcilla", "argila", "argilla", "klei"),
    "sand": ("sable", "sables", "arena", "areia", "sabbia"),
    "silt": ("schluff", "limon", "limons", "limo", "silte", "slik"),
    "caco3": (
        "kalk", "kalkgehalt", "karbonat", "carbonat", "calcaire total", "carbonatos",
        "carbonatos totales", "caliza total", "calcario total", "calcare totale",
    ),
    "cec": (
        "kak", "kationenaustauschkapazitat", "capacite d'echange cationique", "ctc",
        "capacite d echange cationique", "capacidad de intercambio cationico", "cic",
        "capacidade de troca cationica", "csc", "capacita di scambio cationico", "kuk",
    ),
    "ecec": ("ctc efetiva", "cic efectiva"),
    "base_saturation": (
        "basensattigung", "saturation en bases", "saturacion de bases", "saturacao por bases",
        "saturacao de bases",
    ),
}  # fmt: skip

#: Role -> headings.
ROLE_WORDS: Mapping[str, tuple[str, ...]] = {
    "id": (
        "proben nr", "probe nr", "probennr", "probennummer", "proben id", "probenbezeichnung",
        "probenname", "bezeichnung", "echantillon", "n echantillon", "no echantillon",
        "numero echantillon", "reference echantillon", "ref echantillon", "identifiant",
        "no muestra",
        "n muestra", "id muestra", "codigo", "codigo muestra", "codigo de muestra", "ref muestra",
        "numero de muestra", "amostra", "no amostra", "n amostra", "no da amostra", "id amostra",
        "codigo da amostra", "numero da amostra", "referencia", "campione", "n campione",
        "id campione", "punto", "ponto", "punkt", "monster nr", "monster no", "monsternommer",
    ),
    "lab no": (
        "labornummer", "labor nr", "n labo", "no laboratoire", "n laboratoire", "no laboratorio",
        "n laboratorio", "codigo laboratorio", "laboratoriumnommer",
    ),
    "lat": ("breitengrad", "geographische breite", "latitudine", "breedtegraad"),
    "lon": ("langengrad", "geographische lange", "longitudine", "lengtegraad"),
    "east": ("ostwert", "este", "leste", "est", "utm x", "utm e", "x utm", "coord x", "coor x"),
    "north": ("nordwert", "norte", "nord", "utm y", "utm n", "y utm", "coord y", "coor y"),
    "place": ("koordinaten", "coordonnees", "coordenadas", "coordinate", "koordinate"),
    "depth": (
        "tiefe", "entnahmetiefe", "probenahmetiefe", "profondeur", "profundidad", "profundidade",
        "profondita", "diepte",
    ),
    "top": ("tiefe von", "von", "desde"),
    "bottom": ("tiefe bis", "bis", "hasta"),
    "date": (
        "datum", "entnahmedatum", "probenahmedatum", "datum der probenahme", "date de prelevement",
        "date prelevement", "date du prelevement", "fecha", "fecha de muestreo", "fecha muestreo",
        "fecha de toma", "data", "data de colheita", "data da colheita", "data de amostragem",
        "data da amostragem", "data da coleta", "data de coleta", "data prelievo",
        "data di prelievo", "data campionamento", "data di campionamento", "monsterdatum",
    ),
    "lab date": (
        "eingangsdatum", "probeneingang", "berichtsdatum", "date de reception", "date d'analyse",
        "date d analyse", "fecha de recepcion", "fecha de entrada", "fecha de analisis",
        "data de recepcao", "data de entrada", "data ricevimento", "data di ricevimento",
    ),
    "block": (
        "parzelle", "schlag", "weinberg", "parcelle", "parcela", "talhao", "vigneto", "vigne",
        "appezzamento", "particella", "blok",
    ),
    "note": (
        "bemerkung", "bemerkungen", "anmerkung", "anmerkungen", "kommentar", "remarque",
        "remarques", "commentaire", "commentaires", "observations", "observacion", "observaciones",
        "nota", "notas", "observacao", "observacoes", "comentario", "comentarios", "opmerking",
        "osservazioni",
    ),
    "corner": ("ecke", "eckpunkt", "eck nr", "sommet", "angle", "esquina", "vertice", "canto",
               "hoek"),
    "stage": ("stadium", "entwicklungsstadium", "stade", "stade phenologique",
              "estado fenologico", "estadio fenologico", "stadio"),
    "organ": ("pflanzenteil", "organe", "organo", "orgao"),
}  # fmt: skip

#: What a pH was measured in; the first that is found decides.
PH_WORDS: tuple[tuple[str, str], ...] = (
    ("buffer_ph", r"puffer|tamp[oa]n|tampao"),
    ("ph_water", r"\b(eau|agua|wasser|acqua)\b"),
)

#: Words that make a column a part of a property, or something else than its content.
NOT_A_CONTENT = (
    r"fin[aeos]*|fein\w*|grob\w*|grossi?er\w*|gruesa|grues[ao]s?|gross[ao]|fine|coarse|medium|"
    r"acti[fv]\w*|ativo|attivo|active|aktiv\w*|\w*sattigung|satura[ct]ion(?! extract)|saturacao|"
    r"saturazione|\w*bedarf|besoins?|necesidad\w*|necessidade\w*|fabbisogno|\w*empfehlung\w*|"
    r"recomend\w*|consigli\w*|conseil\w*|\w*klasse|gehaltsklasse|versorgungsstufe|rapport|"
    r"relacion|relacao|rapporto|verhaltnis|indice"
)

#: Words beside a property that say nothing of the method.
IDLE = frozenset(
    ("de", "du", "des", "en", "em", "in", "im", "der", "el",
     "assimilable", "disponible", "disponibles", "disponivel", "extraible", "extraivel",
     "extractible", "pflanzenverfugbar", "verfugbar", "assimilabile", "boden", "sol", "suelo",
     "solo", "suolo")
)  # fmt: skip

#: Words of methods, and the English ones that methods.csv knows.
METHOD_WORDS: tuple[tuple[str, str], ...] = (
    (r"\b(ech|intercamb|scamb)\.", "exchangeable"),
    (r"\b(echangeable|intercambiable|cambiable|trocavel|austauschbar\w*|scambiabile|uitruilbaar)\b",
     "exchangeable"),
    (r"(?<=\d),(?=\d)", "."),
    (r"\b(eau|agua|wasser|acqua)\b", "water"),
    (r"acetato d[ei] am+oni[ou]|acetate d.ammonium|ammoniumacetat\w*", "ammonium acetate"),
)  # fmt: skip

#: Cell words for "nothing was measured here" and for "less than we can see".
MISSING_WORDS = frozenset(
    ("n.b.", "n.b", "k.a.", "k. a.", "nicht bestimmt", "nicht analysiert", "non analyse",
     "non determine", "non dose", "no determinado", "no analizado", "sin dato", "sin datos", "s/d",
     "nao determinado", "nao analisado", "non determinato", "non analizzato", "nie bepaal nie")
)  # fmt: skip
BELOW_WORDS = frozenset(
    ("n.n.", "n.n", "nn", "nicht nachweisbar", "nicht nachgewiesen", "<nwg", "<bg", "spuren",
     "non detecte", "non quantifie", "n.q.", "no detectado", "nao detectado", "non rilevato",
     "non rilevabile", "traza", "trazas", "traco", "tracos", "vestigios", "tracce")
)  # fmt: skip

#: Beginnings of month names beside the English ones -> number; the longest that fits is taken.
MONTH_WORDS: Mapping[str, int] = {
    "mrz": 3, "maer": 3, "maa": 3, "okt": 10, "dez": 12,
    "janv": 1, "fev": 2, "avr": 4, "mai": 5, "juin": 6, "juil": 7, "aout": 8,
    "ene": 1, "abr": 4, "ago": 8, "dic": 12, "set": 9, "out": 10,
    "gen": 1, "mag": 5, "giu": 6, "lug": 7, "ott": 10, "mei": 5, "des": 12, "mrt": 3,
}  # fmt: skip


def without_accents(text: str) -> str:
    """Letters without their accents, sub- and superscripts as plain digits.

    Examples
    --------
    >>> without_accents("Matière organique"), without_accents("mg/dm³")
    ('Matiere organique', 'mg/dm3')
    """
    parts = unicodedata.normalize("NFKD", text)
    return "".join(c for c in parts if not unicodedata.combining(c))


def in_english(words: str) -> str:
    """Words of a heading with those for its method in English.

    Examples
    --------
    >>> in_english("potassium ech."), in_english("ph agua 1:2,5")
    ('potassium exchangeable', 'ph water 1:2.5')
    """
    for pattern, english in METHOD_WORDS:
        words = re.sub(pattern, english, words)
    return words


def folded(text: str) -> str:
    """Lower case, without accents, blanks in place of marks between words.

    Examples
    --------
    >>> folded("Proben-Nr."), folded("N° Échantillon"), folded("M.O.")
    ('proben nr', 'n echantillon', 'm o')
    """
    bare = without_accents(text.replace("°", " ").replace("º", " ")).lower()
    return " ".join(re.sub(r"[^\w+']+|_", " ", bare).split())
