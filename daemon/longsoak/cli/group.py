"""The subcommands of `longsoak`, found among what is installed."""

from difflib import get_close_matches

import click

from longsoak.service.garbage import take_up
from longsoak.service.installed import everyones, offered

GROUP = "longsoak.commands"


class _Installed(click.Group):
    """A group whose commands are entry points, imported only when called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(everyones(GROUP))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        point = offered(GROUP, cmd_name)
        command = None if point is None else point.load()
        return command if isinstance(command, click.Command) else None

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except click.MissingParameter as error:
            raise _missing(error) from error

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and offered(GROUP, args[0]) is None:
            near = get_close_matches(args[0], self.list_commands(ctx), n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            ctx.fail(f"There is no command {args[0]!r}.{hint}")
        return super().resolve_command(ctx, args)


def _missing(error: click.MissingParameter) -> click.UsageError:
    """What is missing in one sentence, with what it is and an example."""
    what = error.param
    if error.ctx is None or what is None:
        return error
    name, says = what.make_metavar(error.ctx), ""
    if isinstance(what, click.Option):
        says = f" ({what.help.rstrip('.')})" if what.help else ""
        name = what.opts[-1]
    example = error.ctx.command.epilog or ""
    return click.UsageError(
        f"{error.ctx.command_path} also needs {name}{says}. {example}", ctx=error.ctx
    )


@click.group(cls=_Installed, epilog="Example: longsoak check rig.toml")
@click.version_option(package_name="longsoak", message="%(package)s %(version)s")
def longsoak() -> None:
    """Measure, judge and keep a specimen's wetting and drying."""
    take_up()
