"""What the checks of one run share: the settings, and what the database has told."""

from zoneledger.clock import now_us
from zoneledger.settings import Settings
from zoneledger.storage.examining import DatabaseFacts, examine_database


class Installation:
    """An installation, as the settings describe it; its database is asked once."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._facts: DatabaseFacts | None = None

    async def facts(self) -> DatabaseFacts:
        """Return what the database tells; raise StoreUnavailable while it does not answer."""
        if self._facts is None:
            self._facts = await examine_database(self.settings.database_url, now_us)
        return self._facts
