"""The words makers use, in one place and in several languages: what a word in a leaflet points to.

Tables hold folded stems (small letters, accents taken off: :func:`fold`). To add a language,
add its
stems to the rows below; nothing else has to change.
"""

from __future__ import annotations

import re
import unicodedata

# fmt: off
FIELD_ROLES: dict[str, str] = {
    # word printed in a byte's place -> what it stands for when no legend says otherwise
    "n": "channel", "ch": "channel", "chan": "channel", "id": "device", "dev": "device",
    "device": "device", "devid": "device", "unit": "device", "cs": "checksum", "sum": "checksum",
    "chk": "checksum", "ck": "checksum", "som": "checksum", "dv": "device", "un": "device",
    "csum": "checksum", "cksum": "checksum", "chksum": "checksum", "checksum": "checksum",
    "chs": "checksum", "ks": "checksum", "ps": "checksum", "prufsumme": "checksum",
    "chksm": "checksum", "crc": "checksum", "somme": "checksum", "suma": "checksum", "kk": "key",
    "key": "key", "note": "key", "rr": "key?", "taste": "key", "nota": "key", "vv": "value",
    "v": "value", "val": "value", "value": "value", "wert": "value", "valeur": "value",
    "valor": "value", "valore": "value", "waarde": "value", "atai": "value", "data": "value",
    "dat": "value", "ww": "value", "daten": "value", "datos": "value", "dati": "value",
    "donnee": "value", "dato": "value", "vh": "high", "hi": "high", "msb": "high", "mm": "high",
    "dh": "high", "hh": "high", "high": "high", "mh": "high", "xh": "high", "vm": "high",
    "dm": "high", "vmsb": "high", "vl": "low", "lo": "low", "lsb": "low", "ll": "low",
    "dl": "low", "low": "low", "xl": "low", "vlsb": "low", "addr": "address",
    "param": "address", "par": "address", "adr": "address",
    "address": "address", "adresse": "address", "ah": "address", "am": "address",
    "al": "address", "ad": "address", "pp": "value?", "xx": "value?", "x": "value?",
    "dd": "value?", "yy": "value?", "zz": "value?", "tt": "value?", "ss": "value?",
    "uu": "value?", "qq": "value?", "ii": "value?", "jj": "value?", "oo": "value?",
    "gg": "value?", "aa": "value?", "bb": "value?", "cc": "value?", "ee": "value?",
    "ff": "value?", "nn": "value?",
}
"""Role of a field word: a plain name is certain, one with ``?`` only a first guess."""

FIELD_WORDS = frozenset(FIELD_ROLES)

HIGH_WORDS = (
    "msb", "high", "most significant", "hoherwertig", "upper", "coarse", "poids fort", "obere",
    "mas significativo", "piu significativo", "bits 13", "bit 13", "上位", "grob", "hohe", "hoch",
    "alta", "haut", "superior", "superieur", "jo'i", "joui",
)
LOW_WORDS = (
    "lsb", "low", "least significant", "niederwertig", "lower", "fine", "poids faible", "untere",
    "menos significativo", "meno significativo", "bits 6", "bit 6", "下位", "fein", "niedrig",
    "baja", "bassa", "bas", "inferior", "inferieur", "kai",
)

SYMBOL_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    # what the text after "xx =" says that the symbol is; the first row that fits wins
    (
        "ignored",
        (
            "ignored", "don't care", "dont care", "any value", "not used", "unused",
            "wird ignoriert", "beliebig", "unbenutzt", "ignore", "sans effet", "inutilise",
            "ignorado", "sin uso", "ignorato", "non usato", "genegeerd", "mushi",
        ),
    ),
    (
        "checksum",
        (
            "checksum", "check sum", "check byte", "sum check", "check figure", "prufsumme",
            "prufbyte", "somme de controle", "somme de verification", "suma de comprobacion",
            "suma de verificacion", "suma de control", "checksom", "controlegetal", "chekkusamu",
            "チェックサム", "control sum", "check-sum", "closes the message", "ends the message",
            "termine le message", "cierra el mensaje", "check number", "check figure",
            "schliesst die", "octet de controle", "totale di controllo", "somma di controllo",
        ),
    ),
    (
        "device",
        (
            "device", "board number", "module number", "card number", "box number",
            "rack number", "id number", "unit number", "unit no", "unit id", "gerat", "appareil",
            "dispositivo", "apparaat", "tebaisu", "デバイス", "machine", "numero d'unite",
            "ユニット",
            "peripherique", "toestel", "kiki", "機器",
        ),
    ),
    (
        "address",
        (
            "address", "adress", "direccion", "indirizz", "adres", "adoresu", "アドレス",
            "parameter number", "parameternummer", "pad number", "slot number",
            "operator number", "numero de parametre",
        ),
    ),
    (
        "key",
        (
            "key", "note", "drum", "taste", "nota", "tecla", "tasto", "toets", "noot", "touche",
            "noto", "ノート", "キー", "instrument number", "percussion", "schlaginstrument",
            "trommel", "kagi", "schlagzeug",
        ),
    ),
    ("part", ("part", "block", "teil", "partie", "parte", "pato", "パート", "stimme")),
    (
        "channel",
        (
            "channel", "kanal", "canal", "canale", "kanaal", "channeru", "chan.", "ch.",
            "チャンネル",
            "チャネル", "chaneru", "channnel", "chan'neru", "ch ",
        ),
    ),
    ("program", ("program", "programm", "programme", "programa", "patch number", "プログラム")),
    ("high", HIGH_WORDS),
    ("low", LOW_WORDS),
    (
        "value",
        (
            "value", "data", "wert", "daten", "valeur", "donnee", "valor", "dato", "valore",
            "waarde", "atai", "値", "データ", "deta", "level", "setting", "amount", "parameter",
            "einstellung", "intensit", "semitone", "halbton",
        ),
    ),
)

HEADER_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    # role of a column from its header; the first row that fits wins
    ("nrpn_msb", ("controllers 99", "controller 99", "ctrl 99")),
    ("nrpn_lsb", ("controllers 98", "controller 98", "ctrl 98")),
    ("rpn_msb", ("controllers 101", "controller 101", "ctrl 101")),
    ("rpn_lsb", ("controllers 100", "controller 100", "ctrl 100")),
    ("data_lsb", ("controllers 38", "controller 38", "cc 38", "cc38", "cc#38")),
    ("data_msb", ("controllers 6", "controller 6", "cc 6", "cc6", "cc#6")),
    ("cc_msb", ("cc msb", "cc# msb", "cc-msb", "control msb", "cc hi")),
    ("cc_lsb", ("cc lsb", "cc# lsb", "cc-lsb", "control lsb", "cc lo")),
    (
        "nrpn_msb",
        (
            "nrpn msb", "nrpn-msb", "nrpn hi", "nrpn high", "nrpn (msb", "nrpn h", "cc99",
            "cc 99", "cc#99", "(99)", "msb (cc99", "nrpn 99",
        ),
    ),
    (
        "nrpn_lsb",
        (
            "nrpn lsb", "nrpn-lsb", "nrpn lo", "nrpn low", "nrpn (lsb", "nrpn l", "cc98",
            "cc 98", "cc#98", "(98)", "lsb (cc98", "nrpn 98",
        ),
    ),
    ("rpn_msb", ("rpn msb", "rpn-msb", "rpn hi", "cc101", "cc 101", "cc#101", "(101)")),
    ("rpn_lsb", ("rpn lsb", "rpn-lsb", "rpn lo", "cc100", "cc 100", "cc#100", "(100)")),
    ("nrpn", ("nrpn",)),
    ("rpn", ("rpn",)),
    (
        "address",
        (
            "address", "adress", "adr", "addr", "direccion", "indirizzo", "offset", "adoresu",
            "アドレス",
        ),
    ),
    (
        "default",
        (
            "default", "def.", "init", "reset", "std", "standard", "grundwert", "vorgabe",
            "werk", "defaut", "defecto", "predefinit", "shoki", "初期", "grundeinst", "power-on",
            "power on", "power up", "power-up", "factory", "basis", "voreinst", "depart",
            "deforuto", "デフォルト", "fabrica", "fabbrica", "fabriek", "startwert", "inici",
            "iniz",
            "beim ein", "on power", "after", "preset", "at start", "start",
        ),
    ),
    ("unit", ("unit", "einheit", "unite", "unidad", "unita", "eenheid", "tan'i", "単位")),
    (
        "size",
        (
            "size", "length", "lange", "taille", "tamano", "saizu", "サイズ", "longueur",
            "byte count", "n bytes", "no. of bytes", "anzahl", "dimension", "longitud",
        ),
    ),
    ("hex", ("hex",)),
    ("dec", ("dec", "dez")),
    (
        "bytes",
        (
            "message", "meldung", "sendebyte", "byte", "midi data", "data format", "sequence",
            "befehl", "nachricht", "octet", "mensaje", "messaggio", "bericht", "メッセージ",
            "status",
            "second", "third", "2nd", "3rd", "format", "messeji", "code", "send", "string",
            "sequenz", "midi",
        ),
    ),
    (
        "range",
        (
            "range", "value", "data", "werte", "bereich", "plage", "valeur", "rango", "valor",
            "campo", "gamma", "bereik", "waarde", "範囲", "han'i", "hani", "atai", "値", "min-max",
            "wert", "limites", "intervall", "valori", "min..max", "setting",
        ),
    ),
    (
        "label",
        (
            "parameter", "name", "function", "controller", "effect", "bezeichnung", "funktion",
            "fonction", "nom", "parametre", "parametro", "nombre", "funcion", "funzione", "nome",
            "naam", "functie", "パラメ", "名称", "機能", "item", "event", "meisho", "kinou", "kino",
            "what it", "effekt", "komoku", "項目", "action", "control", "regler", "aktion",
            "ajuste", "reglage", "regolazione", "instelling", "effet", "efecto", "benennung",
            "meaning", "bedeutung",
        ),
    ),
    (
        "note",
        (
            "remark", "comment", "note", "bemerkung", "remarque", "biko", "備考", "description",
            "beschreibung", "descri", "hinweis", "meaning", "anmerkung", "opmerking",
            "observacion", "osservazion", "setsumei", "説明", "info", "explanation", "display",
            "anzeige", "shown", "affich", "choices", "auswahl",
        ),
    ),
    (
        "cc",
        (
            "cc", "control change", "ctrl", "controller no", "control no", "controlador",
            "controleur", "steuer",
        ),
    ),
    (
        "ignore",
        (
            "compat", "page", "seite", "pagina", "ver", "version", "mark", "gm", "since", "rev",
            "chart", "recogn", "transm",
        ),
    ),
    (
        "number",
        (
            "no", "nr", "no.", "nr.", "#", "num", "number", "nummer", "numero", "pc", "prog",
            "n°", "row", "zeile", "bangou", "番号",
        ),
    ),
)

KEY_WORDS = (
    "key", "note", "drum", "taste", "schlag", "trommel", "tecla", "nota", "percu", "touche",
    "batterie", "toets", "instrument", "taiko", "doramu", "ドラム", "tasto", "noto", "kagi",
)

RESET_WORDS = (
    "gm reset", "gm system on", "gm on", "general midi on", "general midi system on", "gm-reset",
    "gm system", "reset", "rucksetz", "zurucksetz", "reinit", "reinici", "riprist", "リセット",
    "risetto", "initiali", "initialis",
)

EXAMPLE_WORDS = (
    "example", "e.g.", "for instance", "beispiel", "z.b.", "z. b.", "exemple", "par ex",
    "ejemplo", "p.ej", "esempio", "ad es", "voorbeeld", "bijv", "例", "rei:", "tatoeba",
    "sample:",
)

DANGER_WORDS = (
    "store", "write to", "erase", "delete", "format", "factory reset", "speicher", "losch",
    "sauvegard", "effac", "guardar", "borrar", "salva", "cancella", "firmware", "update",
    "flash", "wissen", "opslaan", "overwrite", "ueberschreib", "uberschreib", "hozon", "shoukyo",
    "保存", "消去", "ecras",
)

DEFAULT_WORDS = (
    "default", "werk", "inici", "iniz", "def.", "def ", "def:", "def=", "init", "reset value",
    "power-on", "power on", "power up", "grundwert", "grundeinstellung", "standard", "vorgabe",
    "werkseinstellung", "voreinstellung", "defaut", "par defaut", "por defecto", "inicial",
    "iniziale", "predefinit", "standaard", "shokichi", "shoki", "初期値", "initial", "factory",
    "std", "valeur initiale", "werkswert", "factory setting", "fabrica", "startwert", "deforuto",
    "at start", "starts at", "starts with", "starts as", "beginnt bei", "after reset",
    "switching on", "switched on", "nach reset", "depart",
)

CENTER_WORDS = (
    "center", "centre", "mitte", "centro", "midden", "chuo", "中央", "middle", "neutral",
)

YES_WORDS = (
    "all", "every", "alle", "tous", "toutes", "todos", "todas", "tutti", "tutte", "subete",
    "values", "numbers", "werte", "zahlen", "bytes", "figures", "angaben", "numeros", "numeri",
    "nombres", "valeurs", "valores", "valori", "suji", "数値", "数字", "getallen", "messages",
    "unless", "sofern", "sauf", "salvo", "tables", "lists",
)


UNITS = (
    "ms", "msec", "s", "sec", "seconds", "hz", "khz", "db", "%", "cent", "cents", "semitone",
    "semitones", "halbton", "halbtone", "demi-ton", "demi-tons", "semitono", "semitonos",
    "semitoni", "halve tonen", "octave", "octaves", "oktave", "oktaven", "octavas", "bpm",
    "voices", "stimmen", "steps", "degrees", "degree", "°", "milliseconds", "sekunden",
    "centiemes", "beats a minute", "st", "cents.", "ct", "hanon", "halbtone.", "semitone.",
    "grad", "prozent", "per cent", "percent", "octave.", "byo", "centi", "voci", "voces",
    "voix", "ottave", "pulses", "ticks", "beats", "keys", "half tones",
)


def fold(text: str) -> str:
    """Return ``text`` in small letters without accents, other scripts kept as they are."""
    if text.isascii():
        return text.lower()
    parts = unicodedata.normalize("NFKD", text.casefold())
    bare = "".join(c for c in parts if not "̀" <= c <= "ͯ")
    return unicodedata.normalize("NFC", bare)

# fmt: on


def fold_keep(text: str) -> str:
    """Return ``text`` folded with every character in its place (the length stays the same)."""
    if text.isascii():
        return text.lower()
    return "".join(_fold_one(c) for c in text)


def _fold_one(char: str) -> str:
    """Return one character in its small form without accent."""
    bare = unicodedata.normalize("NFKD", char)[:1].lower()
    return bare if len(bare) == 1 else char


def has_word(folded: str, words: tuple[str, ...]) -> bool:
    """Return whether one of ``words`` begins a word of ``folded`` (other scripts: stands in it)."""
    for word in words:
        at = folded.find(word)
        while at >= 0:
            if at == 0 or not word[0].isascii() or not folded[at - 1].isalnum():
                return True
            at = folded.find(word, at + 1)
    return False


def symbol_role(text: str) -> str:
    """Return the role that a legend's text gives its symbol, or nothing."""
    folded = fold(text)
    for phrase in ("note on", "note off", "notes", "note-on", "note-off"):
        folded = folded.replace(phrase, " ")
    best, best_at = "", len(folded) + 1
    for role, words in SYMBOL_WORDS:
        for word in words:
            at = _find_start(folded, word)
            if 0 <= at < best_at:
                best, best_at = role, at
    return best


_BYTE_HEAD = re.compile(r"(?:b|byte|octet)\s*\d{1,2}\.?")


_NUMBER_HEADS = {
    "99": "nrpn_msb",
    "98": "nrpn_lsb",
    "101": "rpn_msb",
    "100": "rpn_lsb",
    "6": "data_msb",
    "38": "data_lsb",
}


_EXACT_HEADS = {
    "len": "size",
    "min": "min",
    "max": "max",
    "minimum": "min",
    "maximum": "max",
    "from": "min",
    "von": "min",
    "bis": "max",
    "to": "max",
    "typ": "default",
    "typ.": "default",
    "param": "address",
    "par": "address",
}


def _is_both(folded: str) -> bool:
    """Return whether one header names the range and, in brackets or joined, the default."""
    table = dict(HEADER_WORDS)
    parts = [p.strip() for p in folded.replace(")", "").replace("/", "(").split("(") if p.strip()]
    return (
        len(parts) == 2
        and has_word(parts[0], table["range"])
        and has_word(parts[1], table["default"])
    )


def header_role(text: str) -> str:
    """Return the role of a column with this header text, or nothing."""
    folded = " ".join(fold(text).split()).replace("- ", "-")
    if folded.strip(".") in _EXACT_HEADS:
        return _EXACT_HEADS[folded.strip(".")]
    if _is_both(folded):
        return "range+default"
    if _BYTE_HEAD.fullmatch(folded):
        return "bytes"
    if folded in _NUMBER_HEADS:
        return _NUMBER_HEADS[folded]
    for role, words in HEADER_WORDS:
        if has_word(folded, words):
            return role
    return ""


def _find_start(folded: str, word: str) -> int:
    """Return where ``word`` begins a word of ``folded``, -1 where it does not."""
    at = folded.find(word)
    while at > 0 and word[0].isascii() and folded[at - 1].isalnum():
        at = folded.find(word, at + 1)
    return at
