"""Loaded by the firmware as ``[motion_log]``: writes down each move, each message and each error, with times.

Runs inside the firmware's own interpreter, never in twinlapse's. One JSON list a line:
``["move", start x y z, end x y z, e, seconds, print time at its end]``, ``["dwell", seconds]``,
``["wait"]`` (an M400 begins), ``["say", text, print time, x y z, moves queued, clock]``,
``["answer", text]``, ``["end", print time]``.
Homing moves are left out. With ``live: true`` the clock of the controller follows the real one, so that
waiting takes time.
"""

import json


class MotionLog:
    """Patches nothing that plans; wraps what is called when a move is planned and a message is sent."""

    def __init__(self, config):
        self.printer = config.get_printer()
        self.out = open(config.get("file"), "w")  # noqa: SIM115, PTH123
        self.live = config.getboolean("live", False)
        self.ratio = config.getfloat("minimum_cruise_ratio", None)
        self.toolhead = None
        self.homing = False
        self.printer.register_event_handler("klippy:connect", self._connect)
        self.printer.register_event_handler("homing:home_rails_begin", lambda *_: self._home(True))
        self.printer.register_event_handler("homing:home_rails_end", lambda *_: self._home(False))
        self.printer.register_event_handler("gcode:request_restart", self._end)
        gcode = self.printer.lookup_object("gcode")
        gcode.register_output_handler(self._answer)
        if self.live:
            mcu = self.printer.lookup_object("mcu")
            connect = mcu._connect_file
            mcu._connect_file = lambda pace=False: connect(pace=True)

    def _home(self, begins):
        self.toolhead.get_last_move_time()  # what is queued before belongs to the file
        self.homing = begins

    def _connect(self):
        toolhead = self.toolhead = self.printer.lookup_object("toolhead")
        if self.live:
            toolhead.can_pause = True
        if self.ratio is not None:
            self._follow_the_ratio(toolhead)
        plan = toolhead._process_moves

        def process(moves):
            plan(moves)
            seconds = [move.accel_t + move.cruise_t + move.decel_t for move in moves]
            end = toolhead.print_time - sum(seconds)
            for move, lasts in zip(moves, seconds):  # noqa: B905
                end += lasts
                if not self.homing:
                    self._write("move", *move.start_pos[:3], *move.end_pos[:3], move.axes_d[3], lasts, end)

        toolhead._process_moves = process
        gcode = self.printer.lookup_object("gcode")
        said = gcode.register_command("M118", None)

        def say(gcmd):
            self._say(gcmd.get_raw_command_parameters())
            said(gcmd)

        if said is not None:  # else there is no [respond]
            gcode.register_command("M118", say)
        dwell = gcode.register_command("G4", None)

        def wait(gcmd):
            self._write("dwell", gcmd.get_float("P", 0.0) / 1000.0)
            dwell(gcmd)

        gcode.register_command("G4", wait)
        finish = gcode.register_command("M400", None)

        def wait_for_moves(gcmd):
            self._write("wait")
            finish(gcmd)

        gcode.register_command("M400", wait_for_moves)

    def _follow_the_ratio(self, toolhead):
        # minimum_cruise_ratio took the place of max_accel_to_decel on 20240313 (docs/Config_Changes.md); this
        # is the line that it became: max_accel_to_decel = max_accel * (1 - minimum_cruise_ratio)
        fix = toolhead._calc_junction_deviation

        def calculate():
            fix()
            toolhead.max_accel_to_decel = toolhead.max_accel * (1.0 - self.ratio)

        toolhead._calc_junction_deviation = calculate
        calculate()

    def _say(self, text):
        toolhead = self.toolhead
        queued = len(toolhead.move_queue.queue)
        now = toolhead.print_time
        reactor = self.printer.get_reactor()
        clock = toolhead.mcu.estimated_print_time(reactor.monotonic())
        self._write("say", text, now, *toolhead.commanded_pos[:3], queued, clock)

    def _answer(self, text):
        self._write("answer", text)

    def _end(self, print_time):
        self._write("end", print_time)
        self.out.flush()

    def _write(self, *what):
        self.out.write(json.dumps(what) + "\n")
        if self.live or what[0] == "answer":  # an error ends the process at once
            self.out.flush()


def load_config(config):
    """Return the log: the firmware's way to load a module."""
    return MotionLog(config)
