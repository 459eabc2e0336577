"""Somebody takes the client's plug out and puts it in again: it asks for an address anew. Layer: stand-in.

Nothing is broken by it, and nothing is left to mend; but it is what people do when something else is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from emulators.common.impair import Impair, Mend

if TYPE_CHECKING:
    from emulators.client.main import ClientContext


def offer(context: ClientContext) -> dict[str, Impair]:
    def replug() -> Mend:
        context.lease()
        return lambda: None

    return {"replug": replug}
