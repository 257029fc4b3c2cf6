"""How far a long command is, for people who wait: a bar on standard error, and nothing where that is no terminal."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.text import Text

#: The bar moves no more often.
EVERY_S = 0.1

Told = Callable[[float, int], None]
"""Takes how much of the work is done, in the unit of its total, and how many things that was."""


def silent(_done: float, _counted: int) -> None:
    """Tell nobody."""


class _Rate(ProgressColumn):
    """How many things were done, and how many a second since the bar appeared."""

    def render(self, task: Task) -> Text:
        """Return the number and the rate as text."""
        counted, unit = int(task.fields["counted"]), str(task.fields["unit"])
        rate = counted / task.elapsed if task.elapsed else 0.0
        return Text(f"{counted:,} {unit}, {rate:,.0f}/s")


@contextmanager
def progress(what: str, total: float | None, unit: str, console: Console | None = None) -> Iterator[Told]:
    """Show a bar while the block runs, and yield what moves it; a total of None is one that nobody knows."""
    console = console or Console(stderr=True)
    if not console.is_terminal:
        yield silent
        return
    left = [] if total is None else [TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn()]
    columns = (TextColumn("{task.description}"), BarColumn(), *left, _Rate(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, redirect_stdout=False) as bar:
        task, shown_s = bar.add_task(what, total=total, counted=0, unit=unit), 0.0

        def tell(done: float, counted: int) -> None:
            nonlocal shown_s
            if (now_s := monotonic()) - shown_s >= EVERY_S:
                shown_s = now_s
                bar.update(task, completed=done, counted=counted)

        yield tell
