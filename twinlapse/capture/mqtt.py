"""Cues through an MQTT broker (the ``mqtt`` extra): the payload is a cue line, TOPIC/answer gets the answer.

The session is not kept at the broker: a cue that waited there for this service would find the machine long
gone, so a lost connection costs a frame either way, and an honest "missed" is the better one. Retained
messages are passed over for the same reason. A message that the broker delivers twice has the same identity
and is answered the same.
"""

from __future__ import annotations

import json
import queue
import stat
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from twinlapse.capture.cue_handler import Answer
from twinlapse.errors import CaptureError
from twinlapse.rig.capture_settings import Mqtt
from twinlapse.shots import Cue, find_arm, find_cue

_MAX_PAYLOAD = 4096


class MqttChannel:
    """Subscribes to one topic with QoS 1 and answers below it."""

    def __init__(
        self, mqtt: Mqtt, ask: Callable[[Cue], Answer], arm: Callable[[int], None] | None = None
    ) -> None:
        paho = _library()
        self._topic = mqtt.topic
        self._ask = ask
        self._arm = arm
        self.fault = "not yet connected"
        self._queue: queue.Queue[Cue | None] = queue.Queue(maxsize=1000)
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if mqtt.login_file:
            self._client.username_pw_set(*read_login(Path(mqtt.login_file)))
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 30)
        self._client.connect_async(mqtt.host, mqtt.port, keepalive=20)
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    def start(self) -> None:
        """Connect, and again whenever the broker was away."""
        self._client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """Disconnect."""
        self._queue.put(None)
        self._client.disconnect()
        self._client.loop_stop()
        self._thread.join(timeout=3)

    def publish(self, below: str, data: bytes) -> None:
        """Publish to TOPIC/BELOW with QoS 1."""
        self._client.publish(f"{self._topic}/{below}", data, qos=1)

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
        cue = find_cue(words)
        if cue is not None and not self._queue.full():
            self._queue.put_nowait(cue)

    def _run(self) -> None:
        # a thread of its own: the broker's thread must go on answering pings while a frame is awaited
        while (cue := self._queue.get()) is not None:
            try:
                answer = self._ask(cue).to_json()
            except CaptureError as error:
                answer = {"shot": cue.shot, "stop": cue.stop, "error": error.what}
            self.publish("answer", json.dumps(answer).encode())


def read_login(path: Path) -> tuple[str, str]:
    """Return name and password from a file that its owner alone may read.

    Raises
    ------
    CaptureError
        when it is missing, open to others, or no "name:password".
    """
    try:
        mode, text = path.stat().st_mode, path.read_text().strip()
    except OSError as error:
        raise CaptureError(f"cannot read the login ({error.strerror})", "", path=path) from None
    if stat.S_IMODE(mode) & 0o077:
        raise CaptureError("others may read the login", f"chmod 600 {path.name}", path=path)
    name, colon, password = text.partition(":")
    if not colon or not name:
        raise CaptureError("this is no login", 'write "name:password" on one line', path=path)
    return name, password


def _library() -> Any:
    try:
        from paho.mqtt import client
    except ImportError:
        raise CaptureError("MQTT needs paho-mqtt", "install it: pip install 'twinlapse[mqtt]'") from None
    return client
