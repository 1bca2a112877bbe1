"""OSC addresses and MQTT topics: what the standards forbid, said in plain words."""

from __future__ import annotations

import re

# OSC 1.0, "OSC Address Spaces and OSC Addresses": printable ASCII, and in a part none of these.
_OSC_PART = re.compile(r"[!-~]+", re.ASCII)
_OSC_FORBIDDEN = frozenset(" #*,/?[]{}")
LONGEST_OSC = 1024

LONGEST_TOPIC_BYTES = 65535  # MQTT 5.0, 1.5.4 UTF-8 Encoded String


def osc_address_problem(address: str) -> str:
    """What is wrong with an OSC address, or nothing."""
    if not address.startswith("/"):
        return "an OSC address begins with `/`"
    if len(address) > LONGEST_OSC:
        return f"the OSC address is longer than {LONGEST_OSC} characters"
    for part in address[1:].split("/"):
        if not part:
            return "an OSC address has a name after each `/`"
        for character in part:
            if character in _OSC_FORBIDDEN:
                shown = "a blank" if character == " " else f"`{character}`"
                return f"an OSC address must not hold {shown}"
        if not _OSC_PART.fullmatch(part):
            return "an OSC address holds printable ASCII characters only"
    return ""


def topic_problem(topic: str) -> str:
    """What is wrong with an MQTT topic to publish to, or nothing."""
    if not topic:
        return "an MQTT topic has at least one character"  # MQTT 5.0 [MQTT-4.7.3-1]
    if "\0" in topic:
        return "an MQTT topic must not hold the character U+0000"  # [MQTT-4.7.3-2]
    for wildcard in "+#":
        if wildcard in topic:
            return f"a topic to publish to must not hold the wildcard `{wildcard}`"  # [MQTT-3.3.2-2]
    try:
        encoded = topic.encode("utf-8")
    except UnicodeEncodeError:
        return "an MQTT topic must be valid UTF-8"  # [MQTT-1.5.4-1]
    if len(encoded) > LONGEST_TOPIC_BYTES:
        return f"an MQTT topic has at most {LONGEST_TOPIC_BYTES} bytes"  # [MQTT-4.7.3-3]
    if topic.startswith("$"):
        return "topics that begin with `$` belong to the broker"  # MQTT 5.0, 4.7.2
    return ""
