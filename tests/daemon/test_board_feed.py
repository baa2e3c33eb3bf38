"""A broker that grants no subscription is as good as none, and is said to be so."""

from collections.abc import Sequence

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from daemon.board.feed import refused


@pytest.mark.parametrize(
    "granted", [(1,), (0,), [ReasonCode(PacketTypes.SUBACK, identifier=1)]]
)
def test_a_granted_subscription_is_not_refused(granted: Sequence[int]) -> None:
    assert not refused(granted)


@pytest.mark.parametrize("granted", [(128,), [ReasonCode(PacketTypes.SUBACK, identifier=135)]])
def test_a_refusal_is_known_under_both_protocol_versions(granted: Sequence[int]) -> None:
    assert refused(granted)
