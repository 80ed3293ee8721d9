"""A stand-in for the desktop's file dialogs: org.freedesktop.portal.FileChooser on the session bus.

    python portal.py ANSWER...

Each dialog that is asked for takes the next answer: `open:FILE` and `save:FILE` are those of a reader
who chooses this file, `open:` and `save:` of one who closes the dialog. Prints a line when it is on the
bus and one for each dialog answered, with what was asked. Ends with 0 after the last answer, and with
1 and a message where another dialog was asked for than expected, or none in time.
"""

import pathlib
import sys
import time

from jeepney import DBusAddress, HeaderFields, MessageType, new_error, new_method_return, new_signal
from jeepney.bus_messages import message_bus
from jeepney.io.blocking import open_dbus_connection

NAME = "org.freedesktop.portal.Desktop"
PATH = "/org/freedesktop/portal/desktop"
CHOOSER = "org.freedesktop.portal.FileChooser"
REQUEST = "org.freedesktop.portal.Request"
METHODS = {"OpenFile": "open", "SaveFile": "save"}

CHOSEN, CLOSED = 0, 1
LIMIT_S = 300.0
# As long as a hand takes at the least: what comes back at once is taken for no dialog at all.
HAND_S = 0.6


def say(line):
    print(line, flush=True)


def words(kind, options):
    """What was asked for, in a line"""
    def value(name, empty):
        return options.get(name, ("", empty))[1]

    folder = bytes(value("current_folder", b"")).rstrip(b"\0").decode()
    filters = ", ".join(label for label, _ in value("filters", []))
    parts = [kind, value("current_name", ""), folder and f"in {folder}", filters and f"of {filters}"]
    return " ".join(part for part in parts if part)


def serve(bus, answers):
    deadline = time.monotonic() + LIMIT_S
    while answers:
        call = bus.receive(timeout=max(deadline - time.monotonic(), 0.0))
        if call.header.message_type != MessageType.method_call:
            continue
        fields = call.header.fields
        kind = METHODS.get(fields[HeaderFields.member])
        if fields.get(HeaderFields.path) != PATH or fields.get(HeaderFields.interface) != CHOOSER or not kind:
            bus.send(new_error(call, "org.freedesktop.DBus.Error.UnknownMethod", "s", ("not here",)))
            continue
        expected, _, file = answers.pop(0).partition(":")
        if kind != expected:
            sys.exit(f"portal: asked to {kind} where {expected} was expected")
        answer(bus, call, file)
        _, _, options = call.body
        say(f"{words(kind, options)}: {file or 'closed'}")


def answer(bus, call, file):
    """Promises an answer, and gives it after the time a hand takes"""
    sender = call.header.fields[HeaderFields.sender]
    _, _, options = call.body
    token = options["handle_token"][1]
    handle = f"{PATH}/request/{sender.removeprefix(':').replace('.', '_')}/{token}"
    bus.send(new_method_return(call, "o", (handle,)))
    time.sleep(HAND_S)
    if file:
        body = (CHOSEN, {"uris": ("as", [pathlib.Path(file).resolve().as_uri()])})
    else:
        body = (CLOSED, {})
    response = new_signal(DBusAddress(handle, interface=REQUEST), "Response", "ua{sv}", body)
    response.header.fields[HeaderFields.destination] = sender
    bus.send(response)


def main():
    answers = sys.argv[1:]
    if not answers or any(answer.partition(":")[0] not in METHODS.values() for answer in answers):
        sys.exit("usage: portal.py open:[FILE] save:[FILE] ...")
    try:
        with open_dbus_connection() as bus:
            reply = bus.send_and_get_reply(message_bus.RequestName(NAME), timeout=10.0)
            if reply.body != (1,):
                sys.exit(f"portal: the bus does not give the name: {reply.body}")
            say("ready")
            serve(bus, answers)
    except TimeoutError:
        sys.exit(f"portal: nobody asks for: {' '.join(answers)}")
    except (OSError, KeyError) as problem:
        sys.exit(f"portal: {problem!r}")


if __name__ == "__main__":
    main()
