"""Headings that crews of other houses write: a list of its own, apart from the one that proposes profiles.

A heading that reads exactly like a phrase of that list is left out (`foreign_files.headings_of`).
"""

HEADINGS: dict[str, str] = {
    "well_id": (
        "Pit ref|Earth pit|Inspection Pit No.|WELL NO|Well #|Test-well|TW|Insp. pit|EP number|"
        "Earth pit no|Pit/Well|Prüfschacht-Nr.|Schacht Nr|Messpunkt Nr.|Erdungsschacht|N° regard|"
        "Regard visitable|Pt de mesure|Pozo N°|Arqueta núm.|Pozo inspección|Well Tag|Test well no|wellID|"
        "pit_number|Punto medida"
    ),
    "electrode_id": (
        "Rod ref|ROD_NO|Electrode no.|Earth rod no|Rod Tag No|rodId|Electrode code|Erder-Nr.|"
        "Staberder Nr.|Elektrode Nr|N° piquet|Piquet n°|Pica N°|Electrodo núm|Jabalina N°|Earthrod ID|"
        "Ground rod #"
    ),
    "site_id": (
        "Site ref|Stn|SITE_CODE|Substn|Subst.|Sub stn no|Site No.|StationNo|S/S code|Anlagen-Nr.|"
        "Standort Nr|UW-Nr.|Station Kürzel|Code du poste|Poste n°|Subest.|Código subestación|Estación N°|"
        "Substation ref"
    ),
    "taken_at": (
        "Date of visit|Date/Time|Rdg date|Test Dt|Dt taken|Visit Date/Time|Date of reading|Measured On|"
        "date_tested|Reading Dt.|Meas. date|Prüfdatum/Zeit|Datum der Messung|Messung am|Mess-Datum|"
        "Date du relevé|Date de la mesure|Mesuré le|Fecha lectura|Fecha de la medición|Fecha ensayo|"
        "Fecha med.|Inspection Dt|TestDate"
    ),
    "resistance_ohm": (
        "Loop R|Rdg|Meter reading|R measured|Clamp rdg|Loop res.|Earth res.|Resist.|"
        "Loop impedance reading|R_loop|Rod resistance|Earth rod resistance|Res value|Resistnce|"
        "Schleifen-Widerst.|R gemessen|Messwert R|Widerst.|Erdungswid.|Erdwiderstand|R mesurée|"
        "Rés. boucle|Résist. terre|R medida|Res. medida|Resist. lazo|Valor R"
    ),
    "outcome": (
        "Rdg status|Result code|Reading result|Stat.|Messergebnis|Status Messung|Résultat mesure|"
        "Estado lectura"
    ),
    "current_a": (
        "Leak. current|Earth curr.|Clamp current|Leakage I|Current found|Lead current|I leak|Ableitstr.|"
        "Strom gemessen|Courant fuite|I fuite|Corr. fuga|Corriente medida|Curr."
    ),
    "instrument_id": (
        "Meter used|Instr.|Inst no|Meter S/N|Tester No|Clamp ID|Clamp meter no|Instr. ID|Meter ref|Gerät|"
        "Messgerät-Nr.|Gerätenr|Appareil n°|N° pince|Equipo N°|Pinza N°|Meter Ser. No"
    ),
    "soil_temp_c": (
        "Soil Tmp|Gnd temp|Ground tmp|Soil temperatur|T_soil|Soil temp.|Boden-Temp.|Bodentemp|"
        "Temp. du sol|T° sol|Temp. suelo|T suelo"
    ),
    "crew": (
        "Tested By|Tech|Done by|Inspector name|Read By (init)|Operative|Gang|Measured by|Prüfer/in|"
        "Messtruppe|Geprüft von|Mesuré par|Opérateur|Técnico resp.|Medido por|Crew name"
    ),
    "note": (
        "Rmks|Remarks/notes|Comment(s)|Obs.|Site remarks|Field notes|Bem.|Bemerkg.|Anmerkungen|Rem.|"
        "Commentaires|Observac.|Nota campo|Notes / remarks"
    ),
    "check_ring_ohm": (
        "Check ring rdg|Ring value|Cal ring|Check loop rdg|Chk ring|Kontrollring Wert|Prüfring R|"
        "Anneau contrôle|Anillo control"
    ),
    "repeat_no": "Rpt|Repeat #|Rep. no|Rdg repeat|Wdh.|Répétition n°|Repet.",
    "installed_on": (
        "Date of install|Inst. date|Install Dt|Date driven|Driven|Instal. date|Date put in|Einbau am|"
        "Einbaudat.|Verlegedatum|Posé le|Date pose|Fecha instal.|Fecha de montaje|Installed date|"
        "DATE_INSTALLED"
    ),
    "retired_on": (
        "Rem. date|Date taken out|Date of removal|Retired dt|Ausbau am|Ausbaudat.|Déposé le|Date dépose|"
        "Fecha retirada|Fecha baja|Removed on"
    ),
    "material": (
        "Matl|Material type|Rod matl|Mat.|Rod metal|Werkst.|Material Erder|Matériau piquet|Mat. pica|"
        "Material pica"
    ),
    "kind": ("Type of electrode|Elec. type|Erder Art|Type d'électrode|Tipo electrodo|Electrode form"),
    "length_m": (
        "Rod len|Lgth|Length of rod|Rod Lgth|Len.|Länge Erder|Stablänge|Erderlänge|Long. piquet|"
        "Longueur du piquet|Long. pica|Longitud pica|Driven lgth"
    ),
    "diameter_mm": (
        "Diam.|Rod dia.|Ø|Dia of rod|Rod diam|Durchm.|Ø Stab|Diam. piquet|Diámetro pica|Diam nominal"
    ),
    "cladding_um": (
        "Cu thickness|Coat. thickness|Clad thk|Coating thk|Cladding thk|Kupferschicht|Auflage|"
        "Ép. revêtement|Espesor recubr."
    ),
    "baseline_ohm": (
        "Init. resistance|As-built res|Initial R|Original rdg|Resistance when new|Neuwert R|"
        "Erst-Messwert|R initiale|R inicial|Res. initial"
    ),
    "surveyed_on": (
        "Sampled on|Smpl date|Date of sampling|Sample Dt|Date of survey|Entnahme am|Probe entnommen|"
        "Prélevé le|Date prélèv.|Fecha muestra|Fecha toma"
    ),
    "soil_class": (
        "Soil descr.|Soil kind|Type of soil|Ground class|Boden-Art|Bodentyp|Nature sol|Type sol|"
        "Tipo suelo|Clase suelo"
    ),
    "sample_depth_m": (
        "Smpl depth|Depth sampled|Depth of smpl|Sampl. depth|Probe Tiefe|Tiefe Entnahme|Prof. prélèv.|"
        "Prof. muestra"
    ),
    "resistivity_ohm_m": (
        "Soil rho|Resist'y|Soil resist'ty|Resistivity meas.|Spez. Bodenwiderstand|Rho Boden|"
        "Résistivité sol|Resistiv. suelo|Resistividad terreno"
    ),
    "ph": "pH val.|Soil pH val|pH-Wert Boden|pH sol|pH suelo",
    "chloride_ppm": (
        "Chlorides (mg/kg)|Cl- (ppm)|Chloride content mg/kg|Chlorid mg/kg|Chlorures mg/kg|"
        "Cloruros (mg/kg)|Cl ppm"
    ),
    "sulphate_ppm": (
        "Sulphates mg/kg|SO4 (ppm)|Sulfate content (mg/kg)|Sulfat mg/kg|Sulfates mg/kg|Sulfatos (ppm)"
    ),
    "redox_mv": "Redox pot. (mV)|ORP mV|Redox (mV)|Redoxpot. mV|Pot. rédox (mV)|Pot. redox mV",
    "spacing_m": (
        "Pin spc|Spacing of pins|Probe dist.|Pin sep.|Sondenabst.|Abstand Sonden|Écartement piquets|"
        "Esp. entre picas|Separac. electrodos"
    ),
    "calibrated_on": (
        "Cal. date|Date calibrated|Calib. date|Date of cal|Kal.-Datum|Kalibr. am|Date étal.|"
        "Fecha calibr.|Last calib."
    ),
    "calibration_due_on": (
        "Cal. due|Next cal. due|Due for cal|Cal due dt|Nächste Kal.|Kal. fällig|Proch. étalonnage|"
        "Próxima calibr."
    ),
    "range_low_ohm": "Range from|Rng low|Low range|Bereich von|Gamme basse|Rango bajo",
    "range_high_ohm": "Range to|Rng high|High range|Range max.|Bereich bis|Gamme haute|Rango alto",
    "accuracy_pct": "Accuracy (%)|Acc. %|Accur. (%)|Genauigk. (%)|Précision (%)|Exactitud %",
    "site_name": (
        "Name of site|Stn name|Substation nm|Site nm|Name Anlage|Stationsname lang|Nom poste|"
        "Nombre subest.|Subst. name"
    ),
    "region": "Region name|Distr.|Area office|Netzbezirk|Bezirk Nr|Secteur réseau|Zona red",
    "latitude": "Lat.|Lat (deg)|GPS latitude|Breite (°)|Latitude GPS|Lat WGS84",
    "longitude": "Long.|Lon (deg)|GPS longitude|Länge (°)|Longitude GPS|Lon WGS84",
    "voltage_kv": "kV level|Volts (kV)|Voltage lvl kV|Spannung kV|Tension kV|Nom. voltage kV",
    "commissioned_on": ("In serv. date|Commiss. date|Date commissioned|Inbetriebn.|Date MES|Puesta servicio"),
}

# (unit, as written in a heading or behind a number) for each kind of quantity.
UNIT_TEXTS: dict[str, list[tuple[str, float, float, tuple[str, ...]]]] = {
    "_ohm_m": [
        ("ohm_m", 0, 1, ("ohm-m", "Ωm", "ohm.m", "Ω·m", "ohm m")),
        ("ohm_cm", 0, 1e-2, ("ohm-cm", "Ωcm", "ohm cm", "Ω·cm")),
    ],
    "_ohm": [
        ("ohm", 0, 1, ("ohm", "Ω", "ohms", "Ohm")),
        ("mohm", 0, 1e-3, ("mΩ", "mohm", "milliohm")),
        ("kohm", 0, 1e3, ("kΩ", "kohm", "kOhm")),
    ],
    "_a": [("A", 0, 1, ("A", "amps", "Amp")), ("mA", 0, 1e-3, ("mA", "milliamps"))],
    "_um": [("um", 0, 1, ("µm", "um", "microns")), ("mil", 0, 25.4, ("mils", "mil"))],
    "_mm": [("mm", 0, 1, ("mm",)), ("in", 0, 25.4, ("in", "inch", '"'))],
    "_m": [("m", 0, 1, ("m", "metres")), ("ft", 0, 0.3048, ("ft", "feet", "'")), ("cm", 0, 0.01, ("cm",))],
    "_c": [("degC", 0, 1, ("°C", "C", "degC")), ("degF", -32, 5 / 9, ("°F", "F", "degF"))],
}
TITLES = (
    "Rod resistance log",
    "Erdungsprotokoll",
    "Relevé des terres",
    "Registro de puestas a tierra",
    "Contractor field sheet, rev. 3",
)
