"""Work that takes time and stands still while a stop is in force."""

from collections.abc import Generator

from simpy import Environment, Event, Interrupt, Process

Steps = Generator[Event, object, None]


class Worker:
    """Runs one simpy process whose `work` pauses while `stop(True)` holds; all times are in microseconds."""

    def __init__(self, env: Environment) -> None:
        self._env = env
        self._process: Process | None = None
        self._freed: Event | None = None
        self._working = False

    def start(self, steps: Steps) -> None:
        """Run `steps`, which may call `work`, from now on."""
        self._process = self._env.process(steps)

    def stop(self, stopped: bool) -> None:
        """Hold the work, or let it go on; saying the same twice changes nothing."""
        if not stopped and self._freed is not None:
            self._freed.succeed()
            self._freed = None
        elif stopped and self._freed is None:
            self._freed = self._env.event()
            if self._working and self._process is not None:
                self._working = False
                self._process.interrupt()

    def work(self, lasting_us: int) -> Steps:
        """Take `lasting_us` of time in which nothing stops the work."""
        env = self._env
        left_us = lasting_us
        while True:
            while self._freed is not None:
                yield self._freed
            if left_us <= 0:
                return
            since_us = int(env.now)
            self._working = True
            try:
                yield env.timeout(left_us)
            except Interrupt:
                left_us -= int(env.now) - since_us
            else:
                self._working = False
                return
