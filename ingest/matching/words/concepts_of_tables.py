"""Words of the other tables' columns; with those of `concepts` they cover the whole schema."""

TABLE_WORDS: dict[str, str] = {
    "from_date": (
        "from, start, start date, begin, since, first day, von, ab, seit, beginn, anfang, start "
        "datum, du, depuis, début, dal, da, inizio, desde, de, inicio, vanaf, van, issued, "
        "handed out, ausgegeben, given, valid from, montiert, fitted"
    ),
    "to_date": (
        "to, until, end, end date, last day, till, bis, ende, au, jusqu'au, fin, al, fino, "
        "fine, hasta, fin, tot, einde, t m, returned, back, zurück, valid to, removed, "
        "demontiert"
    ),
    "role": (
        "role, purpose, use, used for, verwendung, zweck, einsatz, rolle, usage, rôle, uso, "
        "ruolo, uso, rol, gebruik, doel"
    ),
    "coach": "coach, trainer of, trainer, entraîneur, allenatore, entrenador",
    "reference": (
        "reference, trainer, turbo, smart trainer, ergometer, reference id, home trainer, "
        "referenz, rolle, rollentrainer, vergleich, vergleichsgerät, référence, riferimento, "
        "rulli, rullo, referencia, rodillo, referentie, compared with, against"
    ),
    "meter_w": (
        "meter power, meter watts, meter w, pm power, pm watts, pm w, power meter watts, "
        "leistung messer, watt messgerät, puissance capteur, watts capteur, potenza misuratore, "
        "potencia medidor, watt meter, watt pm, leistung pm, vermogen meter, power pm, watts "
        "pm, watt gerät"
    ),
    "reference_w": (
        "reference power, reference watts, trainer power, trainer watts, trainer w, ref power, "
        "ref watts, ref w, leistung rolle, watt rolle, leistung referenz, watt referenz, "
        "puissance référence, puissance home trainer, potenza rulli, potenza riferimento, "
        "potencia rodillo, potencia referencia, vermogen trainer, vermogen referentie, power "
        "trainer, watts trainer, watts home trainer, watts référence"
    ),
    "power": (
        "power, watts, watt, w, leistung, puissance, potenza, potencia, vermogen, average "
        "power, avg power, mean power, ftp, threshold"
    ),
    "cadence": (
        "cadence, rpm, cad, trittfrequenz, kadenz, tf, cadence tr min, cadenza, cadencia, "
        "pedalfrequenz, trapfrequentie"
    ),
    "duration": (
        "duration, seconds, length s, time s, secs, dauer, sekunden, durée, durata, duración, "
        "duur, secondi, segundos, seconden, minutes, minuten, step length, duur s"
    ),
    "step": (
        "step, step no, stage no, interval, stufe, stufe nr, schritt, intervall, palier, étape, "
        "gradino, passo, escalón, paso, trap, stap"
    ),
    "comparison": (
        "comparison, comparison id, ride, ride id, vergleich nr, fahrt, test id, sortie, "
        "comparaison, uscita, confronto, salida, comparación, rit, vergelijking"
    ),
    "event": (
        "event, what happened, work, work done, action, ereignis, was, arbeit, massnahme, "
        "vorfall, événement, travail, action, evento, lavoro, trabajo, gebeurtenis, werk, what, "
        "job done, kind of work, tätigkeit, intervention, intervento, intervención, ingreep"
    ),
    "name": (
        "name, title, race, event name, rennen, wettkampf, titel, bezeichnung, nom, course, "
        "nome, gara, corsa, nombre, carrera, naam, wedstrijd, koers, what, termin, anlass"
    ),
    "kind": (
        "kind, type, art, typ, genre, tipo, clase, soort, category, kategorie, catégorie, "
        "categoria, categoría"
    ),
    "priority": (
        "priority, prio, weight of race, importance, priorität, wichtigkeit, priorité, "
        "priorità, prioridad, prioriteit, a b c"
    ),
    "item": (
        "item, cost of, position, posten, kostenart, leistung, poste, article, voce, articolo, "
        "concepto, artículo, partida, kostenpost, artikel, what for"
    ),
    "money": (
        "cost, price, unit cost, amount, each, preis, kosten, betrag, stückpreis, einzelpreis, "
        "kosten pro, prix, coût, montant, prezzo, costo, importo, precio, coste, importe, "
        "prijs, bedrag, unit price, prix unitaire, prezzo unitario, precio unitario, paid"
    ),
    "currency": "currency, währung, devise, monnaie, valuta, moneda, divisa, munt, cur",
    "group": (
        "group, model group, gruppe, modellgruppe, baureihe, groupe, gamme, gruppo, serie, "
        "grupo, gama, groep, family, series"
    ),
    "side": "side, seite, côté, lato, lado, zijde, kant",
    "size": "size pct, change pct, effect pct, änderung, sprung",
    "in_service": (
        "in service, in use since, in service date, first used, new on, in betrieb, in betrieb "
        "seit, im einsatz seit, inbetriebnahme, en service, mise en service, in servizio, dal "
        "servizio, en servicio, in gebruik, in dienst"
    ),
    "retired": (
        "retired, retired date, out of use, ausser betrieb, ausgemustert, hors service, "
        "dismesso, retirado, buiten gebruik, scrapped"
    ),
    "convention": "slope convention, convention, slope type",
    "factory_slope": (
        "factory slope, original slope, werkseinstellung, werkswert, slope factory, pente "
        "usine, pendenza di fabbrica, pendiente de fábrica, fabriekswaarde"
    ),
    "tolerance": (
        "tolerance, limit, tolerance pct, toleranz, tolérance, tolleranza, tolerancia, "
        "tolerantie, accuracy limit"
    ),
    "accuracy": (
        "accuracy, stated accuracy, genauigkeit, précision, precisione, precisión, "
        "nauwkeurigheid, spec"
    ),
    "owner": (
        "owner, belongs to, besitzer, eigentümer, propriétaire, proprietario, propietario, eigenaar"
    ),
    "state": "state, status, zustand, statut, état, stato, estado, toestand",
    "bought": (
        "purchased, purchase date, bought, bought on, kaufdatum, gekauft, date d'achat, data "
        "acquisto, fecha de compra, aankoopdatum"
    ),
    "warranty": (
        "warranty, warranty until, garantie, garantie bis, garantie jusqu'au, garanzia, "
        "garantía, garantie tot"
    ),
    "return_by": ("return by, due back, rückgabe, rückgabe bis, à rendre, da restituire, devolver"),
    "mass_class": "class, mass class, klasse, gewichtsklasse, classe, clase",
    "mass_tolerance": "mass tolerance, tolerance g, masse toleranz, toleranz g",
    "source": "source, known from, quelle, herkunft, fonte, fuente, bron",
    "certificate": (
        "certificate, certificate no, cert no, zertifikat, zertifikat nr, kalibrierschein, "
        "certificat, certificato, certificado, certificaat"
    ),
    "calibrated": (
        "calibrated, calibrated on, kalibriert, kalibriert am, étalonné, étalonné le, tarato, "
        "tarato il, calibrado, calibrado el, gekalibreerd"
    ),
    "due": (
        "due, due on, next calibration, fällig, fällig am, nächste kalibrierung, échéance, "
        "prochain étalonnage, scadenza, vencimiento, próxima calibración, vervaldatum"
    ),
    "latitude": "latitude, lat, breite, breitengrad, latitudine, latitud, breedtegraad",
    "altitude": (
        "altitude, elevation, height, alt, höhe, meereshöhe, hauteur, altitudine, altitud, "
        "altura, hoogte"
    ),
    "slots": (
        "slots, slots a week, capacity, plätze, termine, kapazität, créneaux, posti, plazas, "
        "plekken, per week, pro woche"
    ),
    "large_ring": (
        "large ring, big ring, großes blatt, kettenblatt groß, grand plateau, corona grande, "
        "plato grande, groot blad, large chainring"
    ),
    "small_ring": (
        "small ring, kleines blatt, kettenblatt klein, petit plateau, corona piccola, plato "
        "pequeño, klein blad, small chainring"
    ),
    "ring_shape": "ring shape, shape, blattform, form, forme, forma, vorm",
    "crank_id": "crank id, crank no, kurbel nr, manivelle no",
    "programmed_crank": (
        "programmed crank length, crank length set, eingestellte kurbellänge, longueur "
        "programmée, lunghezza impostata, longitud programada, ingestelde cranklengte"
    ),
    "volts": (
        "battery v, battery voltage, voltage, volts, spannung, tension, tensione, tensión, spanning"
    ),
    "raw": "zero raw, raw, counts, raw count, rohwert, brut, grezzo, bruto, ruw",
    "replaces": (
        "replaces, replaces meter, ersatz für, remplace, sostituisce, reemplaza, vervangt"
    ),
    "meter_kind": "kind of meter, meter type, meter kind, bauart, position of sensor",
    "battery_type": "battery type, batterietyp, type de pile, tipo batteria, tipo de pila",
    "heart": "heart rate, hr, puls, herzfrequenz, fc, frequenza cardiaca, hartslag",
    "speed": "speed, geschwindigkeit, vitesse, velocità, velocidad, snelheid, km h",
    "distance": "distance, distanz, strecke, distanza, distancia, afstand, km",
}
