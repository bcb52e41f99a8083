"""Cues through an MQTT broker (the ``mqtt`` extra): the payload is a cue line, TOPIC/answer gets the answer.

The session is not kept at the broker: a cue that waited there for this service would find the machine long
gone, so a lost connection costs a frame either way, and "missed" is the right record of it. Retained
messages are passed over for the same reason. A message that the broker delivers twice has the same identity
and is answered the same.

A cue's time is that of its arrival, or the sender's own where it writes ``sent=SECONDS`` (since 1970) behind
the cue or as an MQTT 5 user property. Each cue is answered by a thread of its own: one that is waited for
holds no other up.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from twinlapse.cameras.login import read_login
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.cue_inputs import Announce, Arm
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Mqtt
from twinlapse.shots import Cue, find_arm, find_cue, find_run

__all__ = ["MqttChannel"]

_MAX_PAYLOAD = 4096  # bytes; a cue has about 60
_SENT = re.compile(r"\bsent=(\d{9,11}(?:\.\d{1,9})?)\b")
_DELIVERY_S = 5.0  # for the broker to confirm an alarm (common practice, no source)
_MAX_AT_ONCE = 8  # cues being answered; more at once are a flood
_BELIEVED_S = 3600.0  # a sender's clock that differs by more is wrong


class MqttChannel:
    """Subscribes to one topic with QoS 1 and answers below it."""

    def __init__(
        self,
        mqtt: Mqtt,
        ask: Callable[[Cue, float], Answer],
        arm: Arm | None = None,
        mark: Announce | None = None,
    ) -> None:
        paho = _library()
        self._topic = mqtt.topic
        self._ask = ask
        self._arm = arm
        self._mark = mark
        self.fault = "not yet connected"
        self._answering = ThreadPoolExecutor(max_workers=_MAX_AT_ONCE, thread_name_prefix="mqtt cue")
        self._waiting = threading.Semaphore(2 * _MAX_AT_ONCE)
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if mqtt.login_file:
            self._client.username_pw_set(*read_login(Path(mqtt.login_file)))
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 30)
        self._client.connect_async(mqtt.host, mqtt.port, keepalive=20)

    def start(self) -> None:
        """Connect, and again whenever the broker was away."""
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
        self._answering.shutdown(wait=False, cancel_futures=True)

    def publish(self, below: str, data: bytes) -> None:
        """Publish to TOPIC/BELOW, or TOPIC itself, with QoS 1."""
        self._client.publish(f"{self._topic}/{below}" if below else self._topic, data, qos=1)

    def deliver(self, below: str, data: bytes) -> None:
        """Publish and wait until the broker has it.

        Raises
        ------
        OSError
            when the broker is away or does not answer.
        """
        if self.fault:
            raise OSError(self.fault)
        message = self._client.publish(f"{self._topic}/{below}", data, qos=1)
        message.wait_for_publish(_DELIVERY_S)
        if not message.is_published():
            raise OSError("the broker does not answer")

    def _on_connect(self, client: Any, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        self.fault = str(code) if code.is_failure else ""
        if not code.is_failure:
            client.subscribe(self._topic, qos=1)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, code: Any, _props: Any) -> None:
        self.fault = f"the broker is away ({code})"

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        if message.retain or len(message.payload) > _MAX_PAYLOAD:
            return
        words = message.payload.decode("utf-8", "replace")
        shot = find_arm(words)
        if shot is not None and self._arm is not None:
            self._arm(shot)
        found = find_run(words)
        if found is not None and self._mark is not None:
            self._mark(*found)
        cue = find_cue(words)
        if cue is not None and self._waiting.acquire(blocking=False):
            sent = _SENT.search(words + " " + _properties(message))
            late_s = 0.0 if sent is None else time.time() - float(sent[1])
            came_s = time.monotonic() - (late_s if 0 < late_s < _BELIEVED_S else 0.0)
            self._answering.submit(self._answer, cue, came_s)

    def _answer(self, cue: Cue, came_s: float) -> None:
        try:
            answer = self._ask(cue, time.monotonic() - came_s).to_json()
        except CaptureError as error:
            answer = {"shot": cue.shot, "stop": cue.stop, "error": error.what}
        finally:
            self._waiting.release()
        self.publish("answer", json.dumps(answer).encode())


def _properties(message: Any) -> str:
    pairs = getattr(getattr(message, "properties", None), "UserProperty", None) or ()
    return " ".join(f"{name}={value}" for name, value in pairs if name == "sent")


def _library() -> Any:
    try:
        from paho.mqtt import client
    except ImportError:
        raise CaptureError("MQTT needs paho-mqtt", "run: pip install paho-mqtt") from None
    return client
