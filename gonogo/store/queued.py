"""One mail on its way: the envelope that is prepared, stored and sent, and where it stands in the outbox."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """One finished mail to one person, as it is prepared, put into the outbox, and handed to the transport.

    message_id    stable: the same mail made again has the same one, and is then put only once
    kind          what it is for: "morning", "recheck", "notice", "score", "operator"
    address       where it goes, whatever its head says
    raw           the whole mail as bytes, CRLF line ends
    deadline_utc  after this it is useless and is not sent any more
    send_utc      not before this; None = at once
    run_id        the run that made it, None where none did
    """

    message_id: str
    site_id: str
    crew_id: str
    kind: str
    role: str
    name: str
    address: str
    subject: str
    raw: bytes = field(repr=False)
    deadline_utc: datetime
    language: str = "en"
    send_utc: datetime | None = None
    run_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Queued:
    """A mail as it stands in the outbox.

    n_tries   counts leases, this one included
    raw       the mail itself where it was leased to be sent, b"" elsewhere: see outcomes.raw_of
    """

    id: int
    message_id: str
    run_id: int | None
    site_id: str
    crew_id: str
    kind: str
    role: str
    name: str
    address: str
    language: str
    subject: str
    put_utc: datetime
    deadline_utc: datetime
    state: str
    next_try_utc: datetime
    n_tries: int
    n_crashes: int
    lease_owner: str | None
    lease_until_utc: datetime | None
    settled_utc: datetime | None
    last_error: str
    raw: bytes = field(default=b"", repr=False)

    def without_raw(self) -> Queued:
        """The mail for a report, which may be kept for as long as a morning takes."""
        return replace(self, raw=b"")

    @property
    def envelope(self) -> Envelope:
        """The mail as the transport takes it."""
        return Envelope(
            message_id=self.message_id,
            site_id=self.site_id,
            crew_id=self.crew_id,
            kind=self.kind,
            role=self.role,
            name=self.name,
            address=self.address,
            subject=self.subject,
            raw=self.raw,
            deadline_utc=self.deadline_utc,
            language=self.language,
            run_id=self.run_id,
        )


# Makes what goes out because a mail will not: a short notice to its reader, a mail to the operator, or nothing.
Fallback = Callable[[Queued], Iterable[Envelope]]
