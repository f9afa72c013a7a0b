"""The causes of a hang at an SD card in SPI mode; sd_card_troubles.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause

ENDED = (HALTED_OFF, STUCK, BUSY)

SOCKET_EMPTY = Cause(
    "sd-socket-empty", "An empty SD card socket",
    "The card is sought for ever, or the first command is never answered.",
    "Bytes are clocked while CS is low, and nobody drives DO; with a card in the socket the "
    "program goes on.",
    "Put a card in; let the program give up after some tries of CMD0.", (),
    when=ENDED, decides=("data",))
NOT_WOKEN = Cause(
    "sd-not-woken", "An SD card that is not in SPI mode",
    "No command is answered: every answer reads FFh.",
    "Commands came while the card had not seen 74 clocks with CS and DI high, or before its CMD0; "
    "with these behind it the program goes on.",
    "Give ten bytes FFh with CS high, then CMD0 with CRC 95h; again after each change of card.", (),
    when=ENDED, decides=("data",))
STAYS_IDLE = Cause(
    "sd-stays-idle", "An SDHC card whose host never said that it knows SDHC",
    "The card answers 01h to ACMD41 for ever.",
    "The first ACMD41 came without CMD8 before it, or with bit 30 of its argument (HCS) clear; "
    "with both the program goes on.",
    "Send CMD8 (000001AAh, CRC 87h) first, and ACMD41 with the argument 40000000h.", (),
    when=ENDED, decides=("data",))
REFUSED = Cause(
    "sd-refused", "A command that an SD card refuses",
    "The card is found and then nothing works, or only with another kind of card.",
    "R1 of a command had an error bit: illegal command, CRC, address or parameter; with the "
    "command taken the program goes on.",
    "Look at R1: CMD55 before each ACMD, CRC 95h and 87h, byte addresses for SDSC and block "
    "numbers for SDHC.", (),
    when=ENDED, decides=("data",))
SLOW = Cause(
    "sd-slow", "An SD card that is busy longer than the program waits",
    "It works with one card and not with the next, or not always.",
    "The last byte that the program looked at told of a busy card; with a faster card it goes on.",
    "Wait up to 100 ms for a token, 250 ms after a write, a second for ACMD41.", (),
    when=ENDED, decides=("data",))
SHORT_ANSWER = Cause(
    "sd-short-answer", "An answer that comes later than the program looks for it",
    "It works with one card and not with the next.",
    "CS rose, or the next command came, before the card had given its R1, as up to eight bytes FFh "
    "may stand before it; with a card that answers sooner the program goes on.",
    "Clock up to eight bytes until one has bit 7 = 0.", (),
    when=ENDED, decides=("data",))
OUT_OF_STEP = Cause(
    "sd-out-of-step", "A command in the middle of a block or of a busy time",
    "The second sector is never read, or the card is dead after the first write.",
    "A command came while the card gave a block and its CRC, waited for one, or was busy, and was "
    "taken for a part of that; with the card at rest the program goes on.",
    "Clock out all 512 bytes and both bytes of the CRC; wait for FFh after a write.", (),
    when=ENDED, decides=("data",))
NO_TOKEN = Cause(
    "sd-no-token", "A block written without its token",
    "A write never ends, and nothing is written.",
    "The card waits for FEh, the token of a block, and bytes that are none have come; with the "
    "block taken the program goes on.",
    "Send FEh before the 512 bytes of CMD24, FCh before each block of CMD25.", (),
    when=ENDED, decides=("data",))
FAILED = Cause(
    "sd-failed-block", "A block that an SD card could not read or write",
    "A wait for a token or for a good data response that never comes.",
    "The card gave an error token for a read, or a data response that is not 05h for a write; with "
    "the block in order the program goes on.",
    "Look at the token and at the response (bits 4 to 0); try again, or use another card.", (),
    when=ENDED, decides=("data",))

CAUSES = (SOCKET_EMPTY, NOT_WOKEN, STAYS_IDLE, SHORT_ANSWER, OUT_OF_STEP, NO_TOKEN, REFUSED,
          FAILED, SLOW)
