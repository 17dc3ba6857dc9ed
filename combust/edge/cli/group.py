"""A group of commands that answers an unknown one with near matches."""

from __future__ import annotations

import click

from combust.data.near import near_matches


class NearGroup(click.Group):
    """A group that tells the nearest of its commands when there is none of that name."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command asked for, or fail with near matches."""
        known = self.list_commands(ctx)
        if args and args[0] not in known and not ctx.resilient_parsing:
            near = near_matches(args[0], known, n=2, cutoff=0.5)
            path = ctx.command_path
            hint = f"Did you mean: {path} {' or '.join(near)}?" if near else f"See: {path} --help"
            ctx.fail(f"no command '{args[0][:40]}'. {hint}")
        return super().resolve_command(ctx, args)
