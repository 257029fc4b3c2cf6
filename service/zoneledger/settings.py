"""The settings of the service: from the environment, each with the prefix ZONELEDGER_, or from flags."""

from pathlib import Path

from pydantic import Field, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """What a deployment may set; see docs/operations.md."""

    model_config = SettingsConfigDict(env_prefix="ZONELEDGER_", env_ignore_empty=True, extra="forbid")

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
    plant: Path | None = Field(default=None, description="A plant.yaml or .json to apply at start")
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
            raise ValueError("keep_ledger_days should not be less than keep_messages_days, which has to be set, too")
        return self

    @model_validator(mode="after")
    def _takes_nothing_in(self) -> "Settings":
        if self.reads_only and (self.broker_url is not None or self.plant is not None):
            raise ValueError("a process that only reads takes neither a broker_url nor a plant")
        return self

    @model_validator(mode="after")
    def _publishes_somewhere(self) -> "Settings":
        if self.publish_root is not None and self.broker_url is None:
            raise ValueError("publish_root goes with a broker_url: there is no broker to publish to")
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
