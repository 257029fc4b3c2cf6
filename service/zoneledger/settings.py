"""The settings of the service: from the environment, each with the prefix ZONELEDGER_, or from flags."""

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from zoneledger.wording import words_of

PREFIX = "ZONELEDGER_"
#: What the project's own tests read from the environment, by how the names begin.
OF_TESTS = tuple(f"{PREFIX}{name}" for name in ("TEST_", "FAULTS", "REQUIRE_SERVERS", "EXAMPLES", "PICTURES"))


def setting(field: str) -> str:
    """Return a field's name in the environment, which people know it by."""
    return f"{PREFIX}{field.upper()}"


def faults_of(error: ValidationError) -> list[str]:
    """Return a sentence for each setting that there cannot be, which names it."""
    faults = ((".".join(setting(str(step)) for step in one["loc"]), words_of(one)) for one in error.errors())
    return [f"{name} {words}".strip() for name, words in faults]


def not_read(environment: Iterable[str]) -> list[str]:
    """Return a sentence for each name in the environment that looks like a setting and is none."""
    known = [field.upper() for field in Settings.model_fields]
    sentences = []
    for name in sorted(environment):
        upper = name.upper()
        rest = upper.removeprefix(PREFIX)
        if upper.startswith(PREFIX) and rest not in known and not upper.startswith(OF_TESTS):
            near = get_close_matches(rest, known, 1)
            hint = f"; did you mean {setting(near[0])}?" if near else f"; there are {', '.join(map(setting, known))}"
            sentences.append(f"{name} is no setting, and is not read{hint}")
    return sentences


class Settings(BaseSettings):
    """What a deployment may set; see docs/operations.md."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, env_ignore_empty=True, extra="forbid")

    database_url: str = Field(default="sqlite:///zoneledger.db", description="sqlite:///file or postgresql://...")
    broker_url: str | None = Field(default=None, description="mqtt://host:port or mqtts://...; unset: no broker")
    topic_root: str = Field(default="cells/v1", description="The root of the cells' topics")
    client_id: str = Field(
        default="zoneledger", description="The service's client id at the broker, one for each service"
    )
    listen_to: str | None = Field(
        default=None, description="Paths of sites, lines or cells, with commas between: listen to these only"
    )
    publish_root: str | None = Field(
        default=None, description="The root of the topics that the service publishes on; unset: it publishes nothing"
    )
    host: str = Field(default="127.0.0.1", description="The address to listen on")
    port: int = Field(default=8000, ge=1, le=65535, description="The port to listen on")
    plant: Path | None = Field(default=None, description="A plant.yaml or .json to apply at each start")
    live_streams: int = Field(default=1000, ge=0, description="How many live streams may be open at once")
    reads_only: bool = Field(
        default=False, description="Only answer, and change nothing: for a database that can only be read"
    )

    keep_messages_days: float | None = Field(
        default=None, gt=0, allow_inf_nan=False, description="Forget messages after so many days; unset: never"
    )
    keep_ledger_days: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="Forget the ledger after so many days, not fewer; unset: never",
    )

    @model_validator(mode="after")
    def _ledger_is_kept_longer(self) -> "Settings":
        messages, ledger = self.keep_messages_days, self.keep_ledger_days
        if ledger is not None and (messages is None or messages > ledger):
            lower, higher = setting("keep_messages_days"), setting("keep_ledger_days")
            raise ValueError(f"{higher} should not be less than {lower}, which has to be set, too")
        return self

    @model_validator(mode="after")
    def _takes_nothing_in(self) -> "Settings":
        if self.reads_only and (self.broker_url is not None or self.plant is not None):
            others = f"neither {setting('broker_url')} nor {setting('plant')}"
            raise ValueError(f"{setting('reads_only')} goes with {others}: a process that only reads takes nothing in")
        return self

    @model_validator(mode="after")
    def _publishes_somewhere(self) -> "Settings":
        if self.publish_root is not None and self.broker_url is None:
            wanted = f"{setting('publish_root')} goes with {setting('broker_url')}"
            raise ValueError(f"{wanted}, which is not set: there is no broker to publish to")
        return self

    @field_validator("listen_to")
    @classmethod
    def _names_units(cls, paths: str | None) -> str | None:
        if paths is not None and not paths.strip(" ,"):
            raise ValueError("should name a site, a line or a cell")
        return paths

    @property
    def units(self) -> tuple[str, ...]:
        """The paths of the units to listen to, none for all."""
        return tuple(path.strip() for path in (self.listen_to or "").split(",") if path.strip())

    @field_validator("database_url")
    @classmethod
    def _is_taken(cls, url: str) -> str:
        if not url.startswith(("sqlite:///", "postgresql://")):
            raise ValueError("should be sqlite:///file or postgresql://user@host/database")
        return url
