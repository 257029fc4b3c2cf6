"""The settings of the service: from the environment, each with the prefix ZONELEDGER_, or from flags."""

from pathlib import Path

from pydantic import Field, field_validator
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
    host: str = Field(default="127.0.0.1", description="The address to listen on")
    port: int = Field(default=8000, ge=1, le=65535, description="The port to listen on")
    plant: Path | None = Field(default=None, description="A plant.yaml or .json to apply at start")

    @field_validator("database_url")
    @classmethod
    def _is_taken(cls, url: str) -> str:
        if not url.startswith(("sqlite:///", "postgresql://")):
            raise ValueError("should be sqlite:///file or postgresql://user@host/database")
        return url
