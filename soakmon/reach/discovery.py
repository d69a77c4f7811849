"""Messages that let a home dashboard find the bench, in the common MQTT discovery convention:
<prefix>/<kind>/<device>/<entity>/config, retained.
"""

from __future__ import annotations

import json
from typing import Any

from soakmon import __version__
from soakmon.reach.topics import Message, Topics
from soakmon.reach_config import MqttSection

# kind, entity, name, topic, template, more
_Entity = tuple[str, str, str, str, str, dict[str, Any]]
_ON_OFF = {"payload_on": "on", "payload_off": "off"}
_ENTITIES: tuple[_Entity, ...] = (
    ("sensor", "phase", "Phase", "phase", "{{ value_json.phase }}", {}),
    ("sensor", "verdict", "Verdict", "verdict", "{{ value_json.verdict }}", {}),
    (
        "sensor", "leak", "Leak", "verdict", "{{ value_json.leak_g_per_h.best }}",
        {"unit_of_measurement": "g/h", "state_class": "measurement"},
    ),
    (
        "sensor", "mass", "Fuel in the bottle", "readings", "{{ value_json.mass_g }}",
        {"unit_of_measurement": "g", "device_class": "weight", "state_class": "measurement"},
    ),
    (
        "sensor", "air", "Shop temperature", "readings", "{{ value_json.air_c }}",
        {"unit_of_measurement": "°C", "device_class": "temperature", "state_class": "measurement"},
    ),
    (
        "binary_sensor", "feed", "Feed", "state",
        "{{ 'on' if value_json.feed_open else 'off' }}", _ON_OFF | {"device_class": "opening"},
    ),
    (
        "binary_sensor", "alarm", "Alarm not acknowledged", "state",
        "{{ 'on' if value_json.alarms_waiting else 'off' }}", _ON_OFF | {"device_class": "problem"},
    ),
)  # fmt: skip


def device(topics: Topics) -> str:
    """What the dashboard calls the bench: letters, digits, _ and -, and no two benches the same.

    Names have no _, and those without a shop have kept theirs.
    """
    if topics.shop:
        return f"soakmon-{topics.shop}_{topics.bench}"
    return f"soakmon_{topics.bench.replace('-', '_')}"


def places(topics: Topics, section: MqttSection) -> str:
    """Where the announcements go, as one subscription."""
    return f"{section.discovery_prefix}/+/{device(topics)}/+/config"


def announcements(topics: Topics, section: MqttSection) -> list[Message]:
    """One retained message for each thing that can be shown."""
    own = device(topics)
    about = {"identifiers": [own], "name": f"soakmon {topics.address}", "sw_version": __version__}
    messages = []
    for kind, entity, name, topic, template, more in _ENTITIES:
        payload = {
            "name": name,
            "unique_id": f"{own}_{entity}",
            "state_topic": topics.of(topic),
            "value_template": template,
            "availability_topic": topics.of("availability"),
            "availability_template": "{{ value_json.state }}",
            "device": about,
        } | more
        place = f"{section.discovery_prefix}/{kind}/{own}/{entity}/config"
        messages.append(Message(place, json.dumps(payload), retain=True))
    return messages
