"""Cues through an MQTT broker (the ``mqtt`` extra): the payload is a cue line, TOPIC/answer gets the answer.

The session is not kept at the broker: a cue that waited there for this service would find the machine long
gone, so a lost connection costs a frame either way, and "missed" is the right record of it. Retained
messages are passed over for the same reason. A message that the broker delivers twice has the same identity
and is answered the same.

A cue's time is that of its arrival, or the sender's own where it writes ``sent=SECONDS`` (since 1970) behind
the cue or as an MQTT 5 user property. Each cue is answered by a thread of its own: one that is waited for
holds no other up. Where lines are taken instead of cues, a line that is no cue waits for the cues before it.
"""

from __future__ import annotations

import contextlib
import json
import re
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

from twinlapse.cameras.login import read_login
from twinlapse.capture.cue_handler import Answer
from twinlapse.capture.cue_inputs import Announce, Arm
from twinlapse.errors import CaptureError, TwinlapseError
from twinlapse.rig.capture_settings import Mqtt
from twinlapse.shots import Cue, find_arm, find_cue, find_run

__all__ = ["Ask", "MqttChannel"]

_MAX_PAYLOAD = 4096  # bytes; a cue has about 60
_SENT = re.compile(r"\bsent=(\d{9,11}(?:\.\d{1,9})?)\b")
_DELIVERY_S = 5.0  # for the broker to confirm an alarm (common practice, no source)
_MAX_AT_ONCE = 8  # cues being answered; more at once are a flood
_MAX_LINES = 64  # that wait to be taken; more are a flood
_BEFORE_S = 5.0  # a line waits so long for the cues before it; dwells are shorter
_BELIEVED_S = 3600.0  # a sender's clock that differs by more is wrong


Ask = Callable[[Cue, float], Answer | None]


class MqttChannel:
    """Subscribes to one topic with QoS 1 and answers below it.

    Parameters
    ----------
    mqtt : Mqtt
    ask : callable
        Answers a cue; the second argument is how late it is, s.
    arm, mark : callable, optional
        Told of a shot that comes, and of the begin and end of a print.
    line : callable, optional
        Takes every line that is no cue, in their order, instead of `arm` and `mark`.
    """

    def __init__(
        self,
        mqtt: Mqtt,
        ask: Ask,
        arm: Arm | None = None,
        mark: Announce | None = None,
        *,
        line: Callable[[str], object] | None = None,
    ) -> None:
        paho = _library()
        self._topic = mqtt.topic
        self._ask = ask
        self._arm = arm
        self._mark = mark
        self._line = line
        self._in_order = ThreadPoolExecutor(max_workers=1, thread_name_prefix="mqtt lines")
        self._lines_left = threading.Semaphore(_MAX_LINES)
        self._flying: set[Future[None]] = set()
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
        self._in_order.shutdown(wait=False, cancel_futures=True)
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
        if self._line is not None:
            if self._lines_left.acquire(blocking=False):
                self._in_order.submit(self._take_in_order, words, self._came_s(words, message))
            return
        shot = find_arm(words)
        if shot is not None and self._arm is not None:
            self._arm(shot)
        found = find_run(words)
        if found is not None and self._mark is not None:
            self._mark(*found)
        cue = find_cue(words)
        if cue is not None and self._waiting.acquire(blocking=False):
            self._answering.submit(self._answer, cue, self._came_s(words, message))

    def _came_s(self, words: str, message: Any) -> float:
        """Return the monotonic time at which a message was sent, as far as it says."""
        sent = _SENT.search(words + " " + _properties(message))
        late_s = 0.0 if sent is None else time.time() - float(sent[1])
        return time.monotonic() - (late_s if 0 < late_s < _BELIEVED_S else 0.0)

    def _take_in_order(self, words: str, came_s: float) -> None:
        """Have cues answered beside each other, and take any other line once those before it are answered."""
        try:
            self._flying = {one for one in self._flying if not one.done()}
            cue = find_cue(words)
            if cue is not None:
                if self._waiting.acquire(blocking=False):
                    self._flying.add(self._answering.submit(self._answer, cue, came_s))
                return
            wait(self._flying, _BEFORE_S)
            assert self._line is not None
            with contextlib.suppress(TwinlapseError):
                self._line(words)
        finally:
            self._lines_left.release()

    def _answer(self, cue: Cue, came_s: float) -> None:
        try:
            given = self._ask(cue, time.monotonic() - came_s)
            answer = {"error": "no such shot is being printed"} if given is None else given.to_json()
            answer = {"shot": cue.shot, "stop": cue.stop, **answer}
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
