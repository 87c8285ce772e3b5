"""All words of the page, in one table: a row a key, a column a language."""

from __future__ import annotations

LANGUAGES = {"en": "English", "de": "Deutsch"}

# key: English, German. {name} is filled in by the page.
WORDS: dict[str, tuple[str, str]] = {
    "frame": ("Frame", "Rahmen"),
    "language": ("Language", "Sprache"),
    "strip": ("The frame, bit by bit", "Der Rahmen, Bit für Bit"),
    "strip_how": (
        (
            "Each box is a byte, its high bit at the left. Press a bit to turn it over; arrow keys move, the space bar turns over. Grey: "
            "always the same; dark grey: the check."
        ),
        (
            "Jeder Kasten ist ein Byte, das höchste Bit links. Ein Druck kippt ein Bit; Pfeiltasten bewegen, die Leertaste kippt. Grau: "
            "immer gleich; dunkelgrau: die Prüfsumme."
        ),
    ),
    "good": ("The frame is good.", "Der Rahmen ist in Ordnung."),
    "bad": ("Not a good frame: {reason}.", "Kein guter Rahmen: {reason}."),
    "flipped": ("Turned over: {count}.", "Gekippt: {count}."),
    "mend": ("Take all damage back", "Alle Schäden zurücknehmen"),
    "bit_of": ("bit {number} of {field}: {value}", "Bit {number} von {field}: {value}"),
    "byte_bit": ("byte {byte}, bit {bit}", "Byte {byte}, Bit {bit}"),
    "values": ("Values", "Werte"),
    "values_how": (
        "Type what your sensors say. An empty value is missing, where the field can say so. What is sent is the nearest step.",
        "Was die Sensoren sagen. Ein leerer Wert fehlt, wo das Feld es sagen kann. Gesendet wird der nächste Schritt.",
    ),
    "field": ("field", "Feld"),
    "given": ("given", "gegeben"),
    "code": ("code", "Code"),
    "bits": ("bits", "Bits"),
    "sent": ("sent as", "gesendet als"),
    "off": ("off by", "Abweichung"),
    "range": ("range and step", "Bereich und Schritt"),
    "missing": ("missing", "fehlt"),
    "there": ("there", "vorhanden"),
    "variant": ("which variant", "welche Variante"),
    "more": ("one more", "eines mehr"),
    "fewer": ("one fewer", "eines weniger"),
    "bytes": ("Bytes", "Bytes"),
    "bytes_how": (
        "The frame as hexadecimal. Paste another: every field of it is shown, and whether its check holds.",
        "Der Rahmen hexadezimal. Ein anderer eingefügt: jedes Feld wird gezeigt, und ob die Prüfsumme stimmt.",
    ),
    "not_hex": ("pairs of the digits 0 to 9 and a to f", "Paare der Ziffern 0 bis 9 und a bis f"),
    "check": ("The check, worked through", "Die Prüfsumme, nachgerechnet"),
    "check_how": (
        "The frame's own check, and others as if they stood behind the same bytes. Turn bits over above and see which notice.",
        "Die Prüfsumme des Rahmens, und andere, als stünden sie hinter denselben Bytes. Oben Bits kippen und sehen, welche es merken.",
    ),
    "algorithm": ("algorithm", "Verfahren"),
    "before": ("before", "vorher"),
    "after": ("after the damage", "nach dem Schaden"),
    "notices": ("notices", "merkt es"),
    "yes": ("yes", "ja"),
    "no": ("no", "nein"),
    "nothing": ("nothing is damaged", "nichts ist beschädigt"),
    "own": ("{name}, the frame's own", "{name}, die des Rahmens"),
    "none": ("this frame has no check", "dieser Rahmen hat keine Prüfsumme"),
    "division": ("A CRC is a long division", "Ein CRC ist eine schriftliche Division"),
    "generator": ("Generator", "Generator"),
    "division_how": (
        (
            "Bits in the order in which they are fed, the initial value worked in, then {width} zeros. Where the first bit left is 1, "
            "the "
            "generator is taken away by exclusive or. What is left at the end is the remainder."
        ),
        (
            "Bits in der Reihenfolge, in der sie eingehen, der Anfangswert eingerechnet, dann {width} Nullen. Wo das erste Bit 1 ist, "
            "wird "
            "der Generator mit exklusivem Oder abgezogen. Was am Ende bleibt, ist der Rest."
        ),
    ),
    "steps": ("{count} steps", "{count} Schritte"),
    "remainder": ("remainder {bits}; finished: {value}", "Rest {bits}; fertig: {value}"),
    "damage": ("Damage, many times", "Schäden, viele Male"),
    "damage_how": (
        "Each time the frame is damaged anew at a random place. Counted is how often a check does not notice.",
        "Jedes Mal wird der Rahmen neu an zufälliger Stelle beschädigt. Gezählt wird, wie oft eine Prüfsumme es nicht merkt.",
    ),
    "kind": ("Damage", "Schaden"),
    "kind_1": ("one bit", "ein Bit"),
    "kind_2": ("two bits", "zwei Bits"),
    "kind_3": ("three bits", "drei Bits"),
    "kind_burst": ("a burst of 12 bits", "ein Bündel von 12 Bits"),
    "kind_swap": ("two bytes swapped", "zwei Bytes vertauscht"),
    "kind_random": ("random bytes", "zufällige Bytes"),
    "times": ("Times", "Male"),
    "seed": ("Seed", "Startzahl"),
    "damage_go": ("Damage it", "Beschädigen"),
    "missed": ("missed", "nicht gemerkt"),
    "of": ("of", "von"),
    "cost": ("What it costs", "Was es kostet"),
    "cost_how": (
        "A finer step takes more bits, a slower setting more time on air. Change either, see what a pass then brings, and save the schema.",
        (
            "Ein feinerer Schritt braucht mehr Bits, eine langsamere Einstellung mehr Sendezeit. Ändern, sehen was ein Überflug dann "
            "bringt, "
            "und das Schema sichern."
        ),
    ),
    "step": ("step", "Schritt"),
    "bits_now": ("bits now", "Bits jetzt"),
    "bits_then": ("bits then", "Bits dann"),
    "spreading_factor": ("Spreading factor", "Spreizfaktor"),
    "bandwidth": ("Bandwidth, kHz", "Bandbreite, kHz"),
    "coding_rate": ("Coding rate", "Coderate"),
    "pass_s": ("Seconds of listening", "Sekunden Empfang"),
    "now": ("now", "jetzt"),
    "then": ("then", "dann"),
    "frame_bits": ("bits of the frame", "Bits des Rahmens"),
    "frame_bytes": ("bytes of the frame", "Bytes des Rahmens"),
    "airtime": ("time on air", "Sendezeit"),
    "frames_pass": ("frames in a pass", "Rahmen je Überflug"),
    "bytes_pass": ("bytes in a pass", "Bytes je Überflug"),
    "frames_paced": (
        "frames in a pass, one every {every} s",
        "Rahmen je Überflug, alle {every} s einer",
    ),
    "bytes_paced": ("bytes in a pass, one every {every} s", "Bytes je Überflug, alle {every} s ein Rahmen"),
    "no_radio": (
        "The schema names no radio: no time on air.",
        "Das Schema nennt kein Funkgerät: keine Sendezeit.",
    ),
    "impossible": ("not possible", "nicht möglich"),
    "not_whole": ("range is no whole number of steps", "Bereich ist keine ganze Zahl von Schritten"),
    "too_long": ("longer than a packet", "länger als ein Paket"),
    "alone": (
        "If only this frame is sent, one after another, with the schema's gap and share of the hour.",
        "Wenn nur dieser Rahmen gesendet wird, einer nach dem anderen, mit Pause und Anteil der Stunde des Schemas.",
    ),
    "save": ("Save the changed schema", "Geändertes Schema sichern"),
    "caution": (
        "Radio figures are estimates. Local spectrum rules, licences and licensed operators decide.",
        "Funkzahlen sind Schätzungen. Örtliche Frequenzregeln, Lizenzen und lizenzierte Funker entscheiden.",
    ),
    "lost": ("A lost byte", "Ein verlorenes Byte"),
    "lost_how": (
        (
            "Six frames are sent one after another, and one byte of the stream never arrives. How a receiver finds frames decides what "
            "else is lost."
        ),
        (
            "Sechs Rahmen werden nacheinander gesendet, und ein Byte des Stroms kommt nie an. Wie ein Empfänger Rahmen findet, "
            "entscheidet, "
            "was noch verloren geht."
        ),
    ),
    "lost_at": ("Lost byte", "Verlorenes Byte"),
    "stream_slots": ("Counting bytes from the start", "Bytes vom Anfang an zählen"),
    "stream_search": ("Searching for the next good frame", "Den nächsten guten Rahmen suchen"),
    "stream_cobs": ("Zero bytes between frames (COBS)", "Nullbytes zwischen Rahmen (COBS)"),
    "is_lost": ("lost", "verloren"),
    "made": (
        "Written by packetkit; mission fingerprint {fingerprint}. Runs without a network. A check notices damage, not intent.",
        "Geschrieben von packetkit; Fingerabdruck der Mission {fingerprint}. Läuft ohne Netz. Eine Prüfsumme merkt Schäden, keine Absicht.",
    ),
}


def table() -> dict[str, dict[str, str]]:
    """The words by language and key."""
    return {language: {key: row[at] for key, row in WORDS.items()} for at, language in enumerate(LANGUAGES)}
