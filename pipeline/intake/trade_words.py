"""Words of the trade for the columns and tables that come in: English, German, French, Spanish.

They serve to propose a source profile, never to load: an analyst sees and corrects every guess. Letters are
written plainly (ae, oe, ue, ss; no accents), as `headings.plain_words` leaves them.
"""

COLUMN_WORDS: dict[str, str] = {
    "site_id": (
        "sub stn|substation code|codigo subestacion|code du poste|site reference|site|site id|site code|"
        "site no|station|station id|station code|substation|substation id|ss|sub|location|location code|"
        "facility|plant|anlage|standort|station nr|umspannwerk|uw|werk|objekt|poste|code poste|"
        "poste source|subestacion|estacion|emplacement|emplazamiento|instalacion|ort"
    ),
    "site_name": (
        "site name|station name|substation name|name|description|bezeichnung|anlagenname|stationsname|"
        "nom|nom du poste|nombre|nombre subestacion|designation|standortname|location name"
    ),
    "region": (
        "area office|region name|secteur reseau|zona red|netzbezirk|region|district|area|zone|division|"
        "depot|territory|bezirk|gebiet|netzgebiet|secteur|zona|distrito"
    ),
    "latitude": "latitude|lat|breite|breitengrad|latitud|gps lat|y coordinate wgs",
    "longitude": "longitude|lon|lng|long|laenge gps|laengengrad|longitud|gps lon",
    "voltage_kv": (
        "kv|kv level|voltage level|volts|voltage|system voltage|nominal voltage|level|spannung|"
        "nennspannung|spannungsebene|tension|tension nominal|tension nominale|volt"
    ),
    "commissioned_on": (
        "commissioned|commissioning date|in service|in service since|energised|energized|year built|"
        "inbetriebnahme|mise en service|date de mise en service|puesta en servicio|"
        "fecha puesta en servicio|built"
    ),
    "return_path": "return path|neutral|grounding system|earthing system|rueckleiter|neutre|neutro",
    "grid_area_m2": (
        "grid area|earth grid area|mat area|area of grid|erdernetz flaeche|flaeche|netzflaeche|surface|"
        "superficie|surface maillage"
    ),
    "grid_conductor_m": (
        "grid conductor|conductor length|length of conductor|grid conductor length|leiterlaenge|"
        "longueur conducteur|longitud conductor"
    ),
    "grid_depth_m": (
        "grid depth|burial depth|depth of grid|verlegetiefe|profondeur maillage|profundidad malla"
    ),
    "grid_material": ("grid material|conductor material|leiterwerkstoff|materiau maillage|material malla"),
    "rod_count": (
        "rod count|number of rods|rods|no of rods|rod qty|anzahl erder|anzahl staberder|"
        "nombre de piquets|piquets|numero de picas|picas|electrodes count"
    ),
    "cathodic_protection": (
        "cathodic protection|cp|kathodischer schutz|kks|protection cathodique|proteccion catodica"
    ),
    "stray_dc": (
        "stray dc|stray current|dc traction|streustrom|courant vagabond|courants vagabonds|"
        "corriente vagabunda|corrientes vagabundas"
    ),
    "fault_current_ka": (
        "fault current|earth fault current|fault level|if|kurzschlussstrom|erdschlussstrom|"
        "courant de defaut|corriente de falla|corriente de falta"
    ),
    "fault_split_factor": (
        "split factor|fault split|current division factor|reduktionsfaktor|facteur de reduction|"
        "factor de division"
    ),
    "clearing_time_s": (
        "clearing time|fault clearing time|fault duration|abschaltzeit|temps elimination|duree du defaut|"
        "tiempo de despeje"
    ),
    "customers": ("customers|customers served|customer count|kunden|clients|abonnes|clientes|abonados"),
    "consequence_per_year": (
        "consequence|consequence per year|risk cost|yearly consequence|schaden pro jahr|"
        "consequence par an|consecuencia"
    ),
    "mobilisation_cost": (
        "mobilisation cost|mobilization cost|call out cost|anfahrtskosten|cout de deplacement|"
        "costo de movilizacion"
    ),
    "rod_replacement_cost": (
        "rod replacement cost|replacement cost|cost per rod|kosten je erder|austauschkosten|"
        "cout de remplacement|costo de reemplazo"
    ),
    "electrode_id": (
        "electrode code|earth electrode|rod reference|codigo electrodo|numero de pica|electrode|"
        "electrode id|rod id|rod|rod no|rod number|rod tag|earth rod|ground rod|electrode no|asset id|"
        "asset no|equipment id|erder|erder nr|staberder|tiefenerder|elektrode|erdernummer|piquet|"
        "no piquet|pica|electrodo|id electrodo|jabalina"
    ),
    "well_id": (
        "earth pit|inspection chamber|earthing pit|pit well|erdungsschacht|regard visitable|punto medida|"
        "well|well id|test well|pit|pit no|test pit|inspection pit|inspection well|test point|tp|"
        "handhole|access point|measuring point|tag|location tag|pruefschacht|schacht|messstelle|"
        "messpunkt|trennstelle|regard|regard de visite|point de mesure|no regard|pozo|pozo de inspeccion|"
        "arqueta|registro|punto de medida|camara"
    ),
    "has_test_well": (
        "has test well|test well present|accessible|has well|schacht vorhanden|regard present|tiene pozo"
    ),
    "kind": ("kind|type|electrode type|rod type|electrode kind|art|typ|bauart|erderart|genre|tipo"),
    "material": (
        "material erder|material pica|material piquet|rod metal|materiau piquet|mat|material|"
        "rod material|metal|construction|werkstoff|erdermaterial|materiau|matiere|composition"
    ),
    "length_m": (
        "longitud pica|long pica|long piquet|erderlaenge|length of rod|length|rod length|driven length|"
        "total length|laenge|stablaenge|longueur|longueur piquet|longitud|largo|len"
    ),
    "diameter_mm": (
        "diam|diam piquet|diametro pica|stabdurchmesser|diameter|dia|rod diameter|od|durchmesser|"
        "diametre|diametro|nominal diameter|section|calibre"
    ),
    "cladding_um": (
        "kupferschicht|auflage|coating thk|epaisseur du revetement|thickness of coating|cu thickness|"
        "cladding|coating|coating thickness|cladding thickness|plating|copper thickness|zinc thickness|"
        "plating thickness|schichtdicke|kupferauflage|beschichtung|ueberzug|revetement|"
        "epaisseur revetement|recubrimiento|espesor recubrimiento"
    ),
    "top_depth_m": (
        "top depth|depth to top|depth of top|cover|burial|kopftiefe|tiefe oberkante|profondeur tete|"
        "profundidad cabeza|profundidad"
    ),
    "x_m": "x|easting|x coordinate|rechtswert|coord x|local x",
    "y_m": "y|northing|y coordinate|hochwert|coord y|local y",
    "connection": (
        "connection|connection type|joint|termination|bond type|anschluss|anschlussart|verbindung|"
        "raccordement|connexion|conexion|union"
    ),
    "installed_on": (
        "driven|date driven|date put in|put in|montage|montiert am|fecha de montaje|montaje|montado|"
        "einbau am|pose|date pose|verlegedatum|install|installed|installed on|installation date|"
        "install date|date installed|in ground since|driven on|year installed|date in|eingebaut|"
        "einbaudatum|einbau|installiert am|verlegt am|date de pose|pose le|date installation|"
        "fecha de instalacion|instalado|fecha instalacion"
    ),
    "retired_on": (
        "date depose|date de depose|depose le|taken out|date taken out|fecha baja|fecha de baja|"
        "fecha retirada|ausbau|ausbau am|retired|retired on|removed|removal date|date removed|"
        "out of service|date retired|replaced on|decommissioned|ausgebaut|ausbaudatum|ausser betrieb|"
        "date de retrait|retire|depose|fecha de retiro|retirado|baja"
    ),
    "retired_reason": (
        "retired reason|reason retired|reason removed|removal reason|ausbaugrund|grund|motif de retrait|"
        "motif|motivo retiro|motivo de baja"
    ),
    "baseline_ohm": (
        "original reading|original value|value when new|resistance when new|as built|initial r|"
        "r initiale|r inicial|erst messwert|erstwert|neuwert r|init resistance|baseline|"
        "baseline resistance|initial resistance|as built resistance|commissioning resistance|"
        "original resistance|initial reading|first reading|new value|anfangswert|neuwert|erstmessung|"
        "resistance initiale|valeur initiale|resistencia inicial|valor inicial"
    ),
    "baseline_on": (
        "baseline on|baseline date|initial date|date of initial reading|erstmessung am|date initiale|"
        "fecha inicial"
    ),
    "baseline_tied_in": ("baseline tied in|tied in|connected at baseline|angeschlossen|connecte|conectado"),
    "taken_at": (
        "visited|date of visit|reading taken|meas date|messung am|messung|geprueft am|date du releve|"
        "releve le|fecha lectura|fecha ensayo|fecha de visita|date tested|tested on|read on|taken at|"
        "taken|date|reading date|date taken|test date|measured on|date of test|date time|timestamp|"
        "visit date|survey date|when|day|inspected|inspection date|datum|messdatum|gemessen am|zeitpunkt|"
        "pruefdatum|date de mesure|date mesure|mesure le|date releve|fecha|fecha de medicion|"
        "fecha medida|fecha medicion"
    ),
    "resistance_ohm": (
        "r measured|r gemessen|r mess|r medida|r mesuree|r loop|r boucle|loop r|loop impedance|"
        "rod resistance|resistance value|meter reading|erdwiderstand|erdausbreitungswiderstand|resist|"
        "impedance|impedancia|impedanz|resistance terre|valor r|resistance|reading|loop resistance|"
        "earth resistance|ground resistance|measured value|ohms|ohm|r|r loop|value|measured|result ohm|"
        "clamp reading|rdg|measurement|widerstand|erdungswiderstand|schleifenwiderstand|messwert|wert|"
        "resistance de boucle|resistance de terre|resistance mesuree|valeur|mesure|valeur mesuree|"
        "resistencia|resistencia de lazo|resistencia medida|lectura|valor|valor medido|"
        "resistencia de tierra"
    ),
    "outcome": (
        "reading result|result code|status messung|messergebnis|resultat mesure|estado lectura|outcome|"
        "result|status|reading status|state|condition|ergebnis|messstatus|resultat|statut|resultado|"
        "estado"
    ),
    "method": (
        "method|test method|measuring method|methode|messverfahren|verfahren|methode de mesure|metodo"
    ),
    "current_a": (
        "fuite|i fuite|corr fuga|i fuga|"
        "leak|leak current|i leak|lead current|earth curr|courant mesure|strom gemessen|corriente medida|"
        "current found|clamp current|current|leakage current|earth current|amps|ground current|i|strom|"
        "ableitstrom|erdstrom|courant|courant de fuite|corriente|corriente de fuga|intensidad|leakage"
    ),
    "current_kind": (
        "current kind|ac dc|current type|kind of current|stromart|type de courant|nature courant|"
        "tipo de corriente"
    ),
    "conductor": (
        "conductor|lead|which lead|clamped lead|tail|cable|leiter|leitung|zuleitung|conducteur|"
        "conductor medido"
    ),
    "conductors_in_well": (
        "conductors in well|leads in well|number of leads|no of conductors|leads|anzahl leiter|"
        "anzahl leitungen|nombre de conducteurs|numero de conductores"
    ),
    "repeat_no": (
        "rpt|wdh|repeat reading|rep|repet|repeat no|repeat|repetition|reading no|attempt|wiederholung|"
        "lfd nr|repetition no|repeticion|intento"
    ),
    "visit_reason": (
        "visit reason|reason|reason for visit|visit type|purpose|job type|anlass|besuchsgrund|"
        "motif de visite|motivo visita|motivo"
    ),
    "check_ring_ohm": (
        "cal ring|ring value|ring reading|chk ring|kontrollring wert|anneau controle|anillo control|"
        "check ring|check resistor|ring|calibration ring|ring check|loop check|check loop|test loop|"
        "pruefring|kontrollwiderstand|kontrollring|anneau de controle|boucle de controle|"
        "anillo de control|anillo"
    ),
    "instrument_id": (
        "instr|meter used|meter serial|meter ref|clamp meter|clamp id|instrument ref|messgeraet nr|"
        "numero de pince|no pince|no pinza|no equipo|instrument|instrument id|meter|meter id|meter no|"
        "instrument no|tester|device|serial no|clamp no|clamp|equipment|unit no|geraet|messgeraet|"
        "geraete nr|zange|appareil|pince|no appareil|instrumento|equipo|pinza|medidor|num serie"
    ),
    "soil_temp_c": (
        "soil temperature|soil temp|ground temp|ground temperature|t soil|temp|temperature|"
        "bodentemperatur|bodentemp|temperature sol|temp sol|temperatura suelo|temp suelo|temperatura"
    ),
    "soil_moisture_pct": (
        "soil moisture|moisture|moisture content|vwc|water content|bodenfeuchte|feuchte|wassergehalt|"
        "humidite sol|humidite|teneur en eau|humedad|humedad suelo"
    ),
    "crew": (
        "medido por|mesure par|gemessen von|geprueft von|measured by|done by|tech|recorded by|gang|"
        "crew name|operative|realizado por|releve par|crew|read by|taken by|tested by|technician|"
        "operator|team|inspector|initials|engineer|tester name|pruefer|messtrupp|trupp|monteur|"
        "bearbeiter|equipe|operateur|technicien|cuadrilla|operario|tecnico|brigada"
    ),
    "corrects": (
        "corrects|correction|corrects earlier|amended|supersedes|korrektur|berichtigung|corrige|"
        "correccion|rectifica"
    ),
    "note": (
        "rem|obs|field notes|site remarks|nota campo|bem|note|notes|remarks|comment|comments|remark|"
        "observations|bemerkung|bemerkungen|anmerkung|notiz|kommentar|remarque|remarques|commentaire|"
        "nota|notas|observaciones|comentario"
    ),
    "surveyed_on": (
        "probe entnommen|entnommen am|entnahme|entnahme am|fecha muestra|fecha toma|toma de muestra|"
        "date of survey|surveyed on|surveyed|sampled|sample date|sampling date|survey date|date|measured|"
        "test date|date sampled|probenahme|entnahmedatum|datum|probe vom|date de prelevement|prelevement|"
        "preleve le|date|fecha|fecha de muestreo|muestreo|messdatum"
    ),
    "soil_class": (
        "ground class|soil kind|class of soil|bodentyp|nature sol|terrain|tipo de terreno|terreno|"
        "soil class|soil|soil type|soil description|ground type|bodenart|boden|bodenklasse|type de sol|"
        "sol|nature du sol|tipo de suelo|suelo|clase de suelo"
    ),
    "sample_depth_m": (
        "prof prelevement|prof muestra|probe tiefe|depth sampled|sample depth|depth|sampling depth|"
        "depth of sample|tiefe|entnahmetiefe|probentiefe|profondeur|profondeur prelevement|profundidad|"
        "profundidad muestra"
    ),
    "drainage": "drainage|drain|entwaesserung|drainage du sol|drenaje|draenage",
    "ph": "ph|ph value|soil ph|ph wert|valeur ph|acidity",
    "chloride_ppm": "chloride|chlorides|cl|chlorid|chlorure|chlorures|cloruro|cloruros",
    "sulphate_ppm": "sulphate|sulfate|sulphates|so4|sulfat|sulfato|sulfatos|sulfates",
    "redox_mv": "redox|redox potential|orp|eh|redoxpotential|potentiel redox|potencial redox",
    "sulphide": "sulphide|sulfide|sulphides|sulfid|sulfure|sulfures|sulfuro|sulfuros|h2s",
    "moisture": "moisture|wetness|moisture state|feuchte|feuchtezustand|humidite|humedad",
    "resistivity_ohm_m": (
        "bodenwiderstand spezifisch|rho boden|soil rho|resistividad suelo|resistividad terreno|"
        "resistivite sol|resistivity|soil resistivity|rho|spec resistance|spezifischer widerstand|"
        "bodenwiderstand|spez widerstand|resistivite|resistividad"
    ),
    "spacing_m": (
        "separacion entre electrodos|separacion electrodos|separacion entre picas|distancia entre picas|"
        "entre picas|probe distance|pin distance|ecartement piquets|esp entre picas|pin separation|"
        "spacing|pin spacing|probe spacing|electrode spacing|a|wenner a|separation|sondenabstand|abstand|"
        "ecartement|espacement|espaciamiento|separacion|distance"
    ),
    "calibrated_on": (
        "kal datum|date of calibration|date calibrated|calib date|fecha calibracion|date etal|calibrated|"
        "calibrated on|calibration date|cal date|last cal|last calibration|kalibriert|kalibriert am|"
        "kalibrierdatum|letzte kalibrierung|etalonne le|date etalonnage|calibrado|fecha de calibracion"
    ),
    "calibration_due_on": (
        "next calibration due|due for calibration|calibration due date|naechste kal|kal faellig|"
        "proch etalonnage|calibration due|cal due|due date|next cal|next calibration|"
        "kalibrierung faellig|naechste kalibrierung|faellig|prochain etalonnage|proxima calibracion|"
        "vencimiento"
    ),
    "range_low_ohm": (
        "range from|from|bereich von|gamme basse|rango bajo|low range|range lowest|range low|lower range|"
        "range min|min range|lower limit|min ohm|messbereich von|untere grenze|gamme min|etendue min|"
        "rango min|rango minimo|limite inferior"
    ),
    "range_high_ohm": (
        "range to|to|bereich bis|bereich max|gamme haute|rango alto|high range|range highest|range high|"
        "upper range|range max|max range|upper limit|full scale|max ohm|messbereich bis|obere grenze|"
        "gamme max|etendue max|rango max|rango maximo|limite superior"
    ),
    "accuracy_pct": (
        "accuracy|accuracy pct|accuracy percent|accuracy of reading|genauigkeit|precision|exactitud|"
        "exactitude"
    ),
    "accuracy_ohm": (
        "accuracy ohm|accuracy absolute|accuracy digits|genauigkeit ohm|precision ohm|absolute accuracy"
    ),
    "as_found_error_pct": (
        "as found error|as found|error found|found error|abweichung|erreur constatee|error encontrado"
    ),
    "test_frequency_hz": "test frequency|frequency|messfrequenz|frequenz|frequence|frecuencia",
    "done_on": (
        "done on|done|date|work date|date of work|completed|completed on|finished|ausgefuehrt am|"
        "erledigt am|datum|date des travaux|realise le|fecha|fecha de trabajo|realizado"
    ),
    "work": (
        "work|work type|job|activity|task|what was done|arbeit|massnahme|taetigkeit|art der arbeit|"
        "travaux|intervention|trabajo|tarea|actividad"
    ),
    "month": "month|period|year month|monat|mois|mes|periode|periodo",
    "rain_mm": (
        "rain|rainfall|precipitation|precip|niederschlag|regen|pluie|precipitations|lluvia|precipitacion"
    ),
    "air_temp_c": (
        "air temp|air temperature|mean temp|temperature|lufttemperatur|temp air|temperature air|"
        "temperatura aire|temp"
    ),
    "alias": "alias|other name|also called|old name|written as|autre nom|anderer name|otro nombre",
    "means": "means|is the same as|right name|our name|bedeutet|signifie|significa",
    "decided_by": "decided by|accepted by|approved by|entschieden von|decide par|decidido por",
}

TABLE_WORDS: dict[str, str] = {
    "sites": "sites|stations|substations|standorte|postes|subestaciones|anlagen",
    "electrodes": (
        "electrodes|rods|earth rods|asset register|register|erder|piquets|picas|electrodos|jabalinas"
    ),
    "readings": (
        "readings|measurements|resistance log|rod log|tests|messungen|messwerte|mesures|releves|"
        "mediciones|lecturas"
    ),
    "soil_surveys": (
        "soil surveys|soil|soil samples|samples|boden|bodenproben|sols|prelevements|suelos|muestras"
    ),
    "soundings": "soundings|four pin|wenner|sondierungen|sondages|sondeos",
    "instruments": (
        "instruments|meters|calibrations|geraete|messgeraete|appareils|instrumentos|equipos|calibration log"
    ),
    "works": "works|jobs|work orders|arbeiten|massnahmen|travaux|trabajos",
    "weather": "weather|climate|wetter|meteo|clima|rainfall",
    "aliases": "aliases|other names|synonyms",
}
