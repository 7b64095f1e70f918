"""Words of the trade for what a cell may say where a column takes words from a list, in four languages."""

CHOICE_WORDS: dict[str, dict[str, str]] = {
    "outcome": {
        "read": ("ok|read|good|done|gemessen|io|in ordnung|lu|mesure|leido|bien|bon|correcto|valid"),
        "no_reading": (
            "no reading|nr|none|not read|failed|fail|keine messung|pas de mesure|sin lectura|no measurement"
        ),
        "flooded": "flooded|fl|water|under water|ueberflutet|geflutet|inonde|noye|inundado",
        "inaccessible": (
            "inaccessible|no access|na|blocked|locked|nicht zugaenglich|kein zugang|pas d acces|"
            "sin acceso|inaccesible"
        ),
        "noise": "noise|noisy|nz|unstable|gestoert|rauschen|bruit|ruido|instable",
    },
    "method": {
        "clamp_on": "clamp|clamp on|stakeless|zange|pince|pinza",
        "fall_of_potential": (
            "fall of potential|fop|three point|3 point|3p|dreipunkt|chute de potentiel|caida de potencial"
        ),
    },
    "current_kind": {
        "ac": "ac|wechselstrom|ca|alternatif|alterna",
        "dc": "dc|gleichstrom|cc|continu|continua",
    },
    "kind": {
        "driven_rod": "rod|driven rod|driven|staberder|tiefenerder|piquet|pica|jabalina",
        "plate": "plate|plattenerder|platte|plaque|placa",
        "strip": "strip|tape|banderder|band|ruban|cinta",
        "pipe": "pipe|tube|rohrerder|rohr|tubo",
    },
    "material": {
        "copper_bonded_steel": (
            "copper bonded|copper bonded steel|copperbond|cu bonded|cu clad|copper clad|stahl verkupfert|"
            "verkupfert|acier cuivre|acero cobreado|cbs"
        ),
        "galvanized_steel": (
            "galvanized|galvanised|galv|galvanised steel|gs|verzinkt|stahl verzinkt|feuerverzinkt|"
            "acier galvanise|galvanise|acero galvanizado|galvanizado"
        ),
        "solid_copper": "copper|solid copper|cu|kupfer|cuivre|cobre",
        "stainless_steel": (
            "stainless|stainless steel|ss|v4a|v2a|edelstahl|inox|acier inoxydable|acero inoxidable"
        ),
        "bare_steel": "steel|bare steel|mild steel|stahl|stahl blank|acier|acero",
    },
    "connection": {
        "exothermic": (
            "exothermic|weld|welded|cad|verschweisst|aluminothermique|soudure|soldadura exotermica|soldadura"
        ),
        "compression": "compression|crimp|crimped|pressverbinder|sertissage|compresion",
        "clamp": "clamp|clamped|bolted|klemme|verschraubt|bride|abrazadera|grapa",
    },
    "visit_reason": {
        "routine": "routine|round|r|planned|turnus|regelmaessig|rutina|programmee|scheduled",
        "follow_up": "follow up|recheck|f|retest|nachpruefung|suivi|seguimiento",
        "after_work": "after work|after job|w|post work|nach arbeiten|apres travaux|tras obra",
        "commissioning": "commissioning|new rod|c|inbetriebnahme|mise en service|puesta en servicio",
    },
    "drainage": {
        "good": "good|gut|bon|bonne|buena|bueno",
        "fair": "fair|mittel|moyen|regular",
        "poor": "poor|schlecht|mauvais|mala|malo",
    },
    "sulphide": {
        "no": "no|none|nein|non|absent",
        "trace": "trace|traces|spuren|trazas",
        "yes": "yes|ja|oui|si|present",
    },
    "moisture": {
        "dry": "dry|trocken|sec|seco",
        "moist": "moist|damp|feucht|humide|humedo",
        "wet": "wet|nass|mouille|mojado|sature",
    },
    "work": {
        "replaced": (
            "replaced|replacement|rod replaced|new rod|ersetzt|erneuert|remplace|reemplazado|sustituido"
        ),
        "connection_remade": (
            "connection remade|reconnected|joint remade|anschluss erneuert|raccord refait|conexion rehecha"
        ),
        "grid_extended": "grid extended|extension|netz erweitert|extension du maillage|ampliacion",
        "network_changed": (
            "network changed|neutral changed|shield wire|netz geaendert|reseau modifie|red modificada"
        ),
        "excavation": "excavation|digging|dig|aushub|tiefbau|fouille|excavacion",
        "surge": "surge|lightning|ueberspannung|blitz|foudre|rayo|sobretension",
        "finding_cleared": "finding cleared|cleared|made safe|behoben|resolu|resuelto",
    },
}

YES_NO_WORDS = {
    "true": "yes|y|ja|j|oui|o|si|s|x|wahr|vrai",
    "false": "no|n|nein|non|falsch|faux",
}
