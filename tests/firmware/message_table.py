"""The messages that a printer's controller would understand, written down for the firmware's batch mode.

Klipper's host talks to its controller in messages whose table the controller sends at connect
(docs/Protocol.md). In batch mode there is no controller and the table comes from a file. This one holds only
what steppers, end stops, a heater and its sensor need; the formats are those that the host code asks for.
"""

from __future__ import annotations

import json
from pathlib import Path

CLOCK_HZ = 16_000_000  # any value will do: batch mode counts seconds
PINS = 32
COMMANDS = (
    "get_config",
    "allocate_oids count=%c",
    "finalize_config crc=%u",
    "emergency_stop",
    "reset",
    "config_reset",
    "get_clock",
    "get_uptime",
    "config_stepper oid=%c step_pin=%c dir_pin=%c invert_step=%c step_pulse_ticks=%u",
    "reset_step_clock oid=%c clock=%u",
    "queue_step oid=%c interval=%u count=%hu add=%hi",
    "set_next_step_dir oid=%c dir=%c",
    "stepper_get_position oid=%c",
    "stepper_stop_on_trigger oid=%c trsync_oid=%c",
    "config_trsync oid=%c",
    "trsync_start oid=%c report_clock=%u report_ticks=%u expire_reason=%c",
    "trsync_set_timeout oid=%c clock=%u",
    "trsync_trigger oid=%c reason=%c",
    "config_endstop oid=%c pin=%c pull_up=%c",
    "endstop_home oid=%c clock=%u sample_ticks=%u sample_count=%c rest_ticks=%u pin_value=%c"
    " trsync_oid=%c trigger_reason=%c",
    "endstop_query_state oid=%c",
    "config_digital_out oid=%c pin=%u value=%c default_value=%c max_duration=%u",
    "set_digital_out pin=%u value=%c",
    "update_digital_out oid=%c value=%c",
    "queue_digital_out oid=%c clock=%u on_ticks=%u",
    "set_digital_out_pwm_cycle oid=%c cycle_ticks=%u",
    "config_analog_in oid=%c pin=%u",
    "query_analog_in oid=%c clock=%u sample_ticks=%u sample_count=%c rest_ticks=%u min_value=%hu"
    " max_value=%hu range_check_count=%c",
)
RESPONSES = (
    "config is_config=%c crc=%u is_shutdown=%c move_count=%hu",
    "clock clock=%u",
    "uptime high=%u clock=%u",
    "stats count=%u sum=%u sumsq=%u",
    "shutdown clock=%u static_string_id=%hu",
    "is_shutdown static_string_id=%hu",
    "starting",
    "stepper_position oid=%c pos=%i",
    "trsync_state oid=%c can_trigger=%c trigger_reason=%c clock=%u",
    "endstop_state oid=%c homing=%c next_clock=%u pin_value=%c",
    "analog_in_state oid=%c next_clock=%u value=%hu",
)


def write_table(path: Path) -> None:
    """Write the table as the JSON document that `klippy -d` reads."""
    numbers = iter(range(2, 96))  # 0 and 1 identify; more than 95 would take two bytes
    table = {
        "commands": {text: next(numbers) for text in COMMANDS},
        "responses": {text: next(numbers) for text in RESPONSES},
        "enumerations": {"pin": {"P0": [0, PINS]}, "static_string_id": {"stopped": 1}},
        "config": {"MCU": "stand-in", "CLOCK_FREQ": CLOCK_HZ, "STATS_SUMSQ_BASE": 256, "ADC_MAX": 4095},
        "version": "table of our own",
    }
    path.write_text(json.dumps(table))
