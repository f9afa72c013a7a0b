"""Keep the order in which ``--send`` and ``--after`` were given."""
from __future__ import annotations

import click

from emu.errors import InputError

ORDER = "preburn.order"


class Typing(click.Command):
    """A command that remembers the order of its options ``sends`` and ``afters``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        ctx.meta[ORDER] = [p.name for p in order if p.name in ("sends", "afters")]
        return super().parse_args(ctx, args)


def texts_before(afters: tuple[str, ...]) -> tuple[str | None, ...]:
    """Give for each --send of the command under way the --after in front of it, or None.

    Raises InputError for an --after with no --send right behind it.
    """
    out: list[str | None] = []
    given = iter(afters)
    waiting: str | None = None
    for name in [*click.get_current_context().meta[ORDER], "end"]:
        if name != "sends" and waiting is not None:
            raise InputError(f"--after {waiting!r} has no --send behind it; give the text to "
                             f"send right after it.")
        if name == "sends":
            out.append(waiting)
        waiting = next(given) if name == "afters" else None
    return tuple(out)
