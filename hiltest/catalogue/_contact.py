"""The first contact with a powered bus, made so that a bus that is alive is not disturbed. Private to the catalogue.

An adapter at a wrong bit rate destroys what it hears, as long as it takes part: it answers the first error of every
frame with an error flag. So the first contact takes no part where that costs nothing, and steps back where it does:

- where several nodes are described they acknowledge each other, so the adapter first listens without taking part
  until a good frame comes;
- a lone node needs the adapter's acknowledge (it would repeat its frame for ever and become error passive), so the
  adapter takes part, and steps back at the first error report that comes before any good frame.

Only when a good frame was heard, or nothing at all, does it take part. An adapter that can't listen without taking
part is told of in the notes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hiltest.canbus.opening import Adjustable
from hiltest.catalogue import _bus

if TYPE_CHECKING:
    from hiltest.link import Link

APART_S = 0.5
"""How long at most the adapter listens without taking part: longer than most heartbeats' periods."""
ENOUGH_ERRORS = 100
"""Error reports without a good frame: far more than the 16 tries make after which a lone sender is heard whole."""

ONLY_ERRORS = "only errors were heard, so the adapter takes no part on this bus and sends nothing"


@dataclass(slots=True)
class Contact:
    """What was heard; `apart`: only errors came, and the adapter still takes no part. `note` tells how it went."""

    seen: _bus.Seen
    apart: bool = False
    note: str = ""


def listen(link: Link, for_s: float, parties: int) -> Contact:
    """Listen for `for_s` seconds without sending; less if errors come that say all there is to say.

    `parties` is how many nodes are described on this bus.
    """
    end_s = link.now_s + for_s
    contact = Contact(_bus.Seen.nothing())
    if parties < 2:
        with _bus.watching(link) as first:
            link.wait_for(lambda: first.frames > 0 or first.is_troubled, for_s)
        contact.seen = first
    if parties > 1 or (contact.seen.is_troubled and not contact.seen.frames):
        _stand_apart(link, contact, min(APART_S, max(0.0, end_s - link.now_s)))
    left_s = end_s - link.now_s
    if not contact.apart and left_s > 0:
        with _bus.watching(link) as rest:
            link.wait_for(lambda: rest.errors >= _bus.ENOUGH_ERRORS or rest.told_by_state, left_s)
        contact.seen = contact.seen.and_then(rest)
        if contact.seen.told_by_state and isinstance(link.port, Adjustable) and link.port.listen_only(True):
            contact.apart, contact.note = True, ONLY_ERRORS
    return contact


def _stand_apart(link: Link, contact: Contact, for_s: float) -> None:
    """Take no part until it is known whether frames are good at this bit rate; then take part, or stay away."""
    port = link.port
    if not isinstance(port, Adjustable) or not port.listen_only(True):
        contact.note = (
            "this adapter can't listen without taking part: at a wrong bit rate it destroys what others send"
        )
        return
    with _bus.watching(link) as heard:
        link.wait_for(lambda: heard.frames > 0 or heard.errors >= ENOUGH_ERRORS, for_s)
    # Who listens without taking part counts no errors, so that one who tells states alone says nothing meanwhile.
    contact.apart = not heard.frames and (heard.errors > 0 or contact.seen.told_by_state)
    if contact.apart:
        contact.note = ONLY_ERRORS
    else:
        port.listen_only(False)
        if heard.errors:
            contact.note = (
                f"{heard.errors} error reports while the adapter took no part are not counted: a node that nobody "
                "acknowledges makes them"
            )
            heard = heard.without_errors()
    contact.seen = contact.seen.and_then(heard)
