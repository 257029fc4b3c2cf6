"""docker-compose.yml and the Dockerfile as tests read them: what each container is told."""

import json
import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

ROOT = Path(__file__).parents[2]


def compose_file() -> dict[str, Any]:
    """Return what docker-compose.yml says, with what its parts share written into each."""
    found: dict[str, Any] = YAML(typ="safe", pure=True).load((ROOT / "docker-compose.yml").read_text())
    return found


@dataclass(frozen=True)
class Image:
    """What the last stage of a Dockerfile lets its containers have."""

    environment: dict[str, str]
    command: list[str]
    health: list[str]
    user: str

    @classmethod
    def read(cls, path: Path) -> "Image":
        """Read a Dockerfile; of each instruction the last one holds."""
        text = re.sub(r"\\\n\s*", " ", path.read_text()).rpartition("\nFROM ")[2]
        said = dict(line.split(" ", 1) for line in text.splitlines()[1:] if re.match("[A-Z]+ ", line))
        environment = dict(word.split("=", 1) for word in shlex.split(said["ENV"]))
        health = json.loads(said["HEALTHCHECK"].partition("CMD ")[2])
        return cls(environment, json.loads(said["CMD"]), health, said["USER"])


@dataclass(frozen=True)
class Container:
    """One service of the compose file, with what its image adds where that is the project's own."""

    name: str
    said: dict[str, Any]
    image: Image | None

    @property
    def command(self) -> list[str]:
        """What is run in it: nothing where that is left to an image that is not ours."""
        told: list[str] = [*self.said.get("entrypoint", []), *self.said.get("command", [])]
        return told or (self.image.command if self.image else [])

    @property
    def health(self) -> list[str]:
        """What tells whether it is well; nothing where nobody asks."""
        told = self.said.get("healthcheck", {})
        if told.get("disable"):
            return []
        if "test" in told:
            assert told["test"][0] == "CMD"
            return list(told["test"][1:])
        return self.image.health if self.image else []

    @property
    def environment(self) -> dict[str, str]:
        """What its environment has beside the path."""
        images = self.image.environment if self.image else {}
        return {name: value for name, value in {**images, **self.said.get("environment", {})}.items() if name != "PATH"}

    @property
    def after(self) -> list[str]:
        """Which have to be healthy before it is begun."""
        return list(self.said.get("depends_on", {}))

    @property
    def secrets(self) -> dict[str, str]:
        """Which secrets it is lent, by where they are in it."""
        told = self.said.get("secrets", [])
        return dict(
            (f"/run/secrets/{one}", one) if isinstance(one, str) else (one["target"], one["source"]) for one in told
        )

    @property
    def mounted(self) -> dict[str, str]:
        """Which files and volumes it is lent, by where they are in it."""
        return {there: here for here, there, *_ in (volume.split(":") for volume in self.said.get("volumes", []))}


def secret_files() -> dict[str, Path]:
    """Return where each secret's file is, from the folder on that holds them all."""
    told = compose_file()["secrets"].items()
    return {name: Path(said["file"]).relative_to("deploy/secrets") for name, said in told}


def containers() -> dict[str, Container]:
    """Return the containers of the compose file by their names."""
    ours = Image.read(ROOT / "deploy" / "Dockerfile")
    return {
        name: Container(name, said, ours if said["image"].startswith("zoneledger:") else None)
        for name, said in compose_file()["services"].items()
    }
