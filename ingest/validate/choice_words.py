"""The words that people write for the choices of a column: "left arm", "pedals", "on loan"."""

import re

from ingest.schema import Column

_SAID: dict[str, str] = {
    # where a meter sits
    "crank_spider": "spider; crank spider; spider based",
    "crank_arm_left": "left arm; left crank; left crank arm; crank left; crank arm, left; "
    "kurbelarm links; linker kurbelarm; manivelle gauche",
    "crank_arm_pair": "crank arms; both arms; both crank arms; crank arm both; dual crank; "
    "crank arms, both; two arms",
    "pedal_left": "left pedal; pedal left; pedal l; pedale links; pédale gauche",
    "pedal_pair": "pedals; both pedals; pair of pedals; dual pedals; pédales; pedali; "
    "pedales; pedalen",
    "hub": "rear hub; wheel; rear wheel; nabe; moyeu; mozzo; buje; naaf",
    # how its number works, what it is doing
    "multiplier": "multiply; multiplied",
    "divisor": "divide; divider; divided",
    "fixed": "not adjustable; cannot be changed; no slope; locked",
    "active": "in use; used; on bike; in service",
    "spare": "reserve; backup; ersatz; in reserve; on the shelf",
    "lent": "loan; on loan; loaned; lent out; loaned out; verliehen; prêté; prestato; prestado; "
    "uitgeleend",
    "at_service": "service; in repair; repair; sent in; at the maker; being repaired; workshop",
    "lost": "missing; stolen; verloren; perdu; perso; perdido",
    "sold": "verkauft; vendu; venduto; vendido; verkocht",
    "returned": "given back; zurückgegeben; retourné",
    "written_off": "retired; scrapped; scrap; out of use; decommissioned; ausgemustert",
    # what meters are compared with
    "trainer": "turbo; home trainer; smart trainer; indoor trainer; rollentrainer; rodillo",
    "ergometer": "ergo; erg; lab bike; test bike",
    "meter": "power meter",
    # masses
    "certificate": "certified; calibrated; zertifikat; certificat",
    "weighed": "scale; scales; on a scale; gewogen; pesé",
    "stamped": "stamp; marked; nominal; printed",
    # at the bench
    "as_found": "found; as found; before; vorher; avant",
    "after_work": "after work; after service",
    "as_left": "as left; left; adjusted; after reset; after adjustment",
    "zero": "none hung; empty; unloaded; no load; no mass; nothing; leer; vide; vuoto; vacío; "
    "leeg; zero offset; offset",
    "mass": "masses; weight; weights; loaded; with mass; gewicht; poids; masse; peso; carga; "
    "carico; massa",
    "up": "loading; increasing; rising; ↑; belastung",
    "down": "unloading; decreasing; falling; ↓; entlastung",
    "crank": "pedal; crank arm; on the crank; kurbel; manivelle",
    "lever_on_cassette": "lever; cassette; lever on the cassette; hebel",
    "large": "big; l; outer; outside; large ring; big ring; large chainring; big chainring; "
    "groß; gross; grand; grande; groot",
    "small": "s; inner; inside; little; small ring; inner ring; small chainring; klein; petit; "
    "piccolo; piccola; pequeño",
    "left": "l; li; lh; lhs; nds; non drive side; left arm; left side; left hand; left crank; "
    "left leg; links; gauche; g; sinistra; sinistro; sx; izquierda; izquierdo; izq",
    "right": "r; re; rh; rhs; ds; drive side; right arm; right side; right hand; right crank; "
    "right leg; rechts; droite; d; destra; destro; dx; derecha; derecho; der",
    "both": "both sides; l+r; l/r; left and right; beide; les deux; entrambi; ambos",
    # on the bike, in the season
    "round": "circular; normal; rund; rond; tondo; redondo",
    "oval": "ovalised; ovalized; elliptical; non round; ovale; ovalado",
    "race": "racing; race bike; rennen; gara; carrera; wedstrijd",
    "training": "train; training bike; practice; entraînement; allenamento; entrenamiento",
    "home": "at home; zuhause; maison",
    "camp": "training camp; trainingslager; ritiro; concentración",
    "test": "testing; lab test",
    "closed": "holiday; holidays; closed for holidays; urlaub; vacances",
    "lab": "laboratory; labor; laboratoire",
    "field": "outdoor; outside; on the road; road",
    # events
    "battery_swap": "batterie; neue batterie; batterij; batteria; batería; cambio pila; "
    "battery; new battery; battery change; battery changed; battery replaced; "
    "batteries; new batteries; changed battery; batteriewechsel; pile; changement de pile",
    "firmware_update": "firmware; update; fw update; fw; new firmware",
    "crash": "crashed; fall; accident; sturz; chute; caduta; caída",
    "service": "serviced; maintenance; wartung; entretien",
    "factory_service": "factory; sent to factory; maker service; back from the maker",
    "remount": "remounted; reinstalled; refitted",
    "chainring_change": "chainring; chainrings; new chainring; new chainrings; rings changed",
    "crank_change": "new crank; new cranks; cranks changed",
    "setting_change": "setting; settings; setting changed",
    "spindown": "spin down; spin down calibration",
    "recertified": "recalibrated; new certificate; calibrated again",
    "proposed": "suggested; open",
    "confirmed": "yes; ok; accepted",
    "rejected": "no; denied; refused",
}
YES_WORDS = ["ja", "j", "oui", "si", "sí", "✓", "✔"]
NO_WORDS = ["nein", "non", "nee", "✗", "✘"]


def meant(column: Column, text: str) -> str | None:
    """Return the choice that a cell's words stand for, beyond doubt; None if none, or several."""
    said = _plain(text)
    if column.kind is bool:
        return "yes" if said in YES_WORDS else "no" if said in NO_WORDS else None
    found = [
        choice
        for choice in column.choices
        if said in (_plain(word) for word in _SAID.get(choice, "").split(";"))
    ]
    if "mass_class" in column.name:
        bare = re.sub(r"^(oiml|class|klasse|classe|r\s?111)[\s:]*", "", said).upper()
        found += [choice for choice in column.choices if choice == bare]
    return found[0] if len(found) == 1 else None


def _plain(text: str) -> str:
    """Return words in small letters with one space between them."""
    return " ".join(re.sub(r"[_\-–,.()]+", " ", text.lower()).split())
