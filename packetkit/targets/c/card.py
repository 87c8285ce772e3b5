"""An append-only log of frames on a memory card, as C: each frame between flags with a check behind it, as HDLC on asynchronous lines.

So a file that breaks off anywhere, and is gone on with after the unit has started again, loses at most the record that was being written:
the next one opens with a flag of its own. `packetkit decode --from hdlc` reads it. Source: RFC 1662, section 4 and appendix C.
"""

from __future__ import annotations

from packetkit.targets.c.frame import Mission
from packetkit.targets.c.words import Page, comment
from packetkit.targets.target import Dossier

_TEXT = """\
#define UPPER_FLAG 0x7E
#define UPPER_ESCAPE 0x7D

typedef struct {
    void *card;
    NAME_card_put put;
    uint16_t check;
    int failed; /* what the card said first that was not 0: nothing is put after it */
} NAME_card_writer;

static void NAME_card_plain(NAME_card_writer *log, uint8_t octet) {
    if (log->failed == 0) {
        log->failed = log->put(log->card, octet);
    }
}

static void NAME_card_stuffed(NAME_card_writer *log, uint8_t octet) {
    if (octet == UPPER_FLAG || octet == UPPER_ESCAPE) {
        NAME_card_plain(log, UPPER_ESCAPE);
        octet = (uint8_t)(octet ^ 0x20);
    }
    NAME_card_plain(log, octet);
}

/* CRC-16/IBM-SDLC, polynomial 0x1021, least significant bit first. */
static void NAME_card_checked(NAME_card_writer *log, uint8_t octet) {
    uint8_t bit;
    log->check = (uint16_t)(log->check ^ octet);
    for (bit = 0; bit < 8; bit++) {
        log->check = (uint16_t)((log->check & 1) ? (log->check >> 1) ^ 0x8408 : log->check >> 1);
    }
    NAME_card_stuffed(log, octet);
}

int NAME_card_append(void *card, NAME_card_put put, const uint8_t *frame, size_t size) {
    NAME_card_writer log;
    uint16_t check;
    size_t at;
    log.card = card;
    log.put = put;
    log.check = 0xFFFF;
    log.failed = 0;
    NAME_card_plain(&log, UPPER_FLAG);
    for (at = 0; at < size; at++) {
        NAME_card_checked(&log, frame[at]);
    }
    check = (uint16_t)(log.check ^ 0xFFFF);
    NAME_card_stuffed(&log, (uint8_t)check);
    NAME_card_stuffed(&log, (uint8_t)(check >> 8));
    NAME_card_plain(&log, UPPER_FLAG);
    return log.failed;
}
"""


def text(mission: Mission, dossier: Dossier) -> str:
    """Return the source of the card writer."""
    page = Page()
    page.add(
        f"/* A log of frames of {comment(dossier.mission)} on a memory card, written by packetkit. Do not edit: generate again.",
        " * A record is a frame and a check between flags, with octet stuffing (RFC 1662). Leave this out where nothing is logged. */",
        f'#include "{mission.prefix}.h"',
        "",
    )
    page.lines += _TEXT.replace("NAME", mission.prefix).replace("UPPER", mission.upper).splitlines()
    return page.text


def declaration(mission: Mission) -> list[str]:
    """Return what the header says of the card writer."""
    return [
        f"/* Appends a frame to a log ({mission.prefix}_card.c). put takes one octet to where the card's file ends; 0 says that it did,",
        " * anything else ends the record and is returned. Power that fails loses at most the record that is being written; go on at",
        " * the file's end afterwards, and have the card's library write out what it holds back as often as it must not be lost.",
        " * `packetkit decode SCHEMA FILE --from hdlc` reads the log. */",
        f"typedef int (*{mission.prefix}_card_put)(void *card, uint8_t octet);",
        f"int {mission.prefix}_card_append(void *card, {mission.prefix}_card_put put, const uint8_t *frame, size_t size);",
    ]
