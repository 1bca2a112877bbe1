"""What waits for the broker. Pure: time comes in.

Old commands must not be replayed when the broker comes back: what is older than the age limit is dropped
and counted, and so is the oldest when there is no room.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

LONGEST_AGE_S = 5.0
MOST_MESSAGES = 1_000
MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Message:
    """A publication. ``event`` is the CloudEvent that the payload carries, None for a payload of its own."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    at_s: float
    event: dict[str, Any] | None = None


class Outbox:
    """A bounded queue in order of time. Raises nothing."""

    def __init__(
        self,
        longest_age_s: float = LONGEST_AGE_S,
        most: int = MOST_MESSAGES,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self.longest_age_s = longest_age_s
        self._most, self._most_bytes = most, most_bytes
        self._waiting: deque[Message] = deque()
        self._bytes = 0
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def push(self, message: Message, now_s: float) -> None:
        """Add the newest; the stale and, if need be, the oldest go."""
        self.expire(now_s)
        self._waiting.append(message)
        self._bytes += len(message.payload)
        while len(self._waiting) > self._most or self._bytes > self._most_bytes:
            self._drop()

    def push_back(self, message: Message) -> None:
        """Put what could not be confirmed in front again."""
        self._waiting.appendleft(message)
        self._bytes += len(message.payload)

    def pop(self, now_s: float) -> Message | None:
        """The oldest that is still fresh, None when there is none."""
        self.expire(now_s)
        if not self._waiting:
            return None
        message = self._waiting.popleft()
        self._bytes -= len(message.payload)
        return message

    def expire(self, now_s: float) -> None:
        while self._waiting and self.is_stale(self._waiting[0], now_s):
            self._drop()

    def is_stale(self, message: Message, now_s: float) -> bool:
        return now_s - message.at_s > self.longest_age_s

    def _drop(self) -> None:
        self._bytes -= len(self._waiting.popleft().payload)
        self.dropped += 1
