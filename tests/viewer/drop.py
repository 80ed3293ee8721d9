"""Drops files onto a window, as a file manager does: a source of the XDND protocol.

    python drop.py WINDOW FILE...

Ends with 0 once the window has taken the drop, and with 1 and a message where it refuses it, never
asks for the files or does not answer in time.
"""

import pathlib
import select
import sys
import time

from Xlib import X, Xatom, display, error
from Xlib.protocol import event

VERSION = 5
LIMIT_S = 30.0


class Source:
    """A window that offers files, and what the other one has answered so far"""

    def __init__(self, target, files):
        self.display = display.Display()
        self.deadline = time.monotonic() + LIMIT_S
        self.target = self.display.create_resource_object("window", target)
        screen = self.display.screen()
        self.root = screen.root
        self.window = self.root.create_window(
            0, 0, 1, 1, 0, screen.root_depth, event_mask=X.PropertyChangeMask
        )
        self.uri_list = self.atom("text/uri-list")
        self.uris = "".join(pathlib.Path(file).resolve().as_uri() + "\r\n" for file in files).encode()
        # What came in.
        self.time = None
        self.handed_over = False
        self.status = None
        self.finished = None

    def atom(self, name):
        return self.display.intern_atom(name)

    def tell(self, name, *data):
        """A message of the protocol to the window"""
        data = [self.window.id, *data, 0, 0, 0, 0][:5]
        message = event.ClientMessage(window=self.target, client_type=self.atom(name), data=(32, data))
        self.target.send_event(message)
        self.display.flush()

    def until(self, has_come, what):
        """Takes what comes in until this has come"""
        while not has_come():
            while self.display.pending_events():
                self.take(self.display.next_event())
            if has_come():
                return
            left = self.deadline - time.monotonic()
            if left <= 0:
                sys.exit(f"drop: {what} within {LIMIT_S:.0f} s")
            select.select([self.display.fileno()], [], [], left)

    def take(self, came):
        if came.type == X.PropertyNotify:
            self.time = came.time
        elif came.type == X.SelectionRequest:
            self.hand_over(came)
        elif came.type == X.SelectionClear:
            sys.exit("drop: somebody else has taken the selection")
        elif came.type == X.ClientMessage and came.client_type == self.atom("XdndStatus"):
            self.status = came.data[1][1]
        elif came.type == X.ClientMessage and came.client_type == self.atom("XdndFinished"):
            self.finished = came.data[1][1]

    def hand_over(self, request):
        """Answers a question for the files; for anything else there is no answer"""
        known = request.target == self.uri_list
        place = (request.property or request.target) if known else X.NONE
        if known:
            request.requestor.change_property(place, self.uri_list, 8, self.uris)
        answer = event.SelectionNotify(
            time=request.time,
            requestor=request.requestor,
            selection=request.selection,
            target=request.target,
            property=place,
        )
        request.requestor.send_event(answer)
        self.display.flush()
        self.handed_over |= known

    def drop(self):
        aware = self.target.get_full_property(self.atom("XdndAware"), Xatom.ATOM)
        if aware is None or aware.value[0] < VERSION:
            sys.exit("drop: the window takes no drops")
        # The server's time, which is only told with an event.
        self.window.change_property(Xatom.WM_NAME, Xatom.STRING, 8, b"drop")
        self.until(lambda: self.time is not None, "the server tells no time")
        selection = self.atom("XdndSelection")
        self.window.set_selection_owner(selection, self.time)
        if self.display.get_selection_owner(selection) != self.window:
            sys.exit("drop: the selection cannot be had")

        size = self.target.get_geometry()
        corner = self.root.translate_coords(self.target, 0, 0)
        x, y = corner.x + size.width // 2, corner.y + size.height // 2
        self.tell("XdndEnter", VERSION << 24, self.uri_list)
        self.tell("XdndPosition", 0, x << 16 | y, self.time, self.atom("XdndActionCopy"))
        self.until(lambda: self.status is not None, "the window does not answer")
        if not self.status & 1:
            self.tell("XdndLeave")
            sys.exit("drop: the window refuses the files")
        # A hand lets go long after the window has seen what is held over it.
        self.until(lambda: self.handed_over, "the window does not ask for the files")
        self.tell("XdndDrop", 0, self.time)
        self.until(lambda: self.finished is not None, "the window does not finish the drop")
        if not self.finished & 1:
            sys.exit("drop: the window did not take the files")


def main():
    if len(sys.argv) < 3:
        sys.exit("usage: drop.py WINDOW FILE...")
    try:
        Source(int(sys.argv[1], 0), sys.argv[2:]).drop()
    except (error.XError, error.DisplayError, error.ConnectionClosedError) as problem:
        sys.exit(f"drop: {problem}")


if __name__ == "__main__":
    main()
