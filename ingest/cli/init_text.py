"""The commented settings file that `lumberroom init` writes."""

from __future__ import annotations

from collections.abc import Iterator

from ingest.cli.init_questions import Answers, MailAnswers, RoomAnswers
from ingest.settings.site_text import quoted
from ingest.site.places import Bounds


def text_of(answers: Answers) -> str:
    """Write the file."""
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: Answers) -> Iterator[str]:
    us = answers.units == "us"
    yield "# The settings of lumberroom on this computer. Check it after every change: lumberroom check"
    yield "# [site] and [[room]] are taken over at the first start; later changes go in with: lumberroom site apply"
    yield "# What stands behind # is off. Every section, with an example: deploy/OPERATIONS.md"
    yield ""
    yield "[site]"
    yield f"name = {quoted(answers.name)}"
    yield f"time_zone = {quoted(answers.time_zone)}  # IANA name; times are stored in UTC and shown in this zone"
    yield f"elevation_{'ft' if us else 'm'} = {answers.elevation:g}  # above sea level; sets the air pressure"
    yield f"units = {quoted(answers.units)}  # what pages and mail show: si or us"
    yield ""
    yield "[data]"
    yield f"directory = {quoted(answers.data)}  # beside this file, unless it begins with /"
    if answers.on_card:
        yield "gather_seconds = 10  # spares the memory card that this lies on; a power cut costs the last 10 s at most"
    else:
        yield "# gather_seconds = 10  # spares a memory card; a power cut then costs the last 10 s at most"
    yield "# keep_readings_days = 730  # older readings go each night, hourly statistics stay; without it all stays"
    yield ""
    yield "[page]"
    yield 'listen = "127.0.0.1"  # this computer only; from elsewhere through an SSH tunnel'
    yield "port = 8430"
    yield '# push_token_env = "LUMBERROOM_PUSH_TOKEN"  # lets programs hand readings in over HTTP with this token'
    yield ""
    yield "# [push]  # lets devices on the network hand readings in, each with its key: lumberroom device-key add"
    yield '# address = "0.0.0.0:8431"  # cert_file and key_file beside it for TLS'
    yield ""
    yield from _mail(answers.mail)
    yield "# [[recipient]]  # one person: rooms, hours, escalation, digests; ingest/notices/NOTICES.md"
    yield '# name = "Floor layer"'
    yield '# mail = "floor@example.org"  # needs [mail]; or webhook, publish or command: the name of such a section'
    yield '# severity_from = "serious"  # slight, serious or severe'
    yield ""
    yield "# [station]  # when to alert that the watch itself is not well; false switches a rule off"
    yield "# disk_free_mb = 500"
    yield ""
    yield "# [central]  # forwards what is stored to a central engine, for whoever has many sites"
    yield '# site = "lakeside-house"  # the name of this site there; no two may share one'
    yield '# address = "http://engine.example.org:8428"'
    yield '# token_env = "LUMBERROOM_CENTRAL_TOKEN"'
    yield ""
    yield from _adapters(answers)
    for room in answers.rooms:
        yield from _room(room, us=us)


def _mail(mail: MailAnswers | None) -> Iterator[str]:
    if mail is None:
        yield "# [mail]  # nobody is mailed until this is filled in"
        yield '# server = "mail.example.org"'
        yield '# from = "lumberroom@example.org"'
        yield '# to = ["you@example.org"]'
        yield '# login = "lumberroom"'
        yield '# password_env = "LUMBERROOM_MAIL_PASSWORD"  # the password itself never stands in this file'
        yield ""
        return
    yield "[mail]"
    yield f"server = {quoted(mail.server)}"
    yield 'security = "starttls"  # or "tls" (port 465), or "none" for a server on this computer'
    yield f"from = {quoted(mail.sender)}"
    yield f"to = [{', '.join(quoted(address) for address in mail.to)}]"
    if mail.login:
        yield f"login = {quoted(mail.login)}"
        yield 'password_env = "LUMBERROOM_MAIL_PASSWORD"  # the password itself never stands in this file'
    yield ""


def _adapters(answers: Answers) -> Iterator[str]:
    for number, port in enumerate(answers.ports, 1):
        yield "[[adapter]]"
        yield f'name = "serial-{number}"'
        yield 'type = "serial_line"  # one SenML pack per line'
        yield f"port = {quoted(port)}"
        yield ""
    if answers.simulated:
        for room in (one for one in answers.rooms if one.sensor):
            yield "[[adapter]]"
            yield f'name = "simulated-{room.id[:30]}"'
            yield 'type = "simulated_room"  # invented figures: take it out before you rely on anything'
            yield f"sensor = {quoted(room.sensor)}"
            yield ""
    if not answers.ports and not answers.simulated:
        yield "# [[adapter]]  # where readings come from"
        yield '# name = "serial-1"'
        yield '# type = "serial_line"'
        yield '# port = "/dev/serial/by-id/..."'
        yield ""


def _room(room: RoomAnswers, *, us: bool) -> Iterator[str]:
    yield "[[room]]"
    yield f"id = {quoted(room.id)}"
    yield f"title = {quoted(room.title)}"
    if room.holds:
        yield f"holds = {quoted(room.holds)}"
    yield ""
    yield "[room.window]  # the air that this room should keep; the flooring's own instructions come first"
    yield f"temperature_{'f' if us else 'c'} = {_bounds(room.temperature)}"
    yield f"rh_percent = {_bounds(room.rh_percent)}"
    yield "# emc_percent = [6, 9]  # or bound the equilibrium moisture content; { high = 9 } bounds one end only"
    yield "alert_after_minutes = 30  # alerts go out after so long out of range"
    yield "all_clear_after_minutes = 30  # the all-clear after so long back in range"
    yield ""
    yield "# [room.in_service]  # what it will be like when lived in: gives the EMC to bring the wood to"
    yield f"# temperature_{'f = [65, 75]' if us else 'c = [18, 24]'}"
    yield "# rh_percent = [30, 50]"
    yield ""
    yield "# [room.boards]  # the lot in this room, for the estimate of its moisture (lumberroom wood lists species)"
    yield '# species = "white oak"'
    yield "# thickness_mm = 20"
    yield "# width_mm = 140"
    yield ""
    if not room.sensor:
        yield "# [[room.sensor]]  # or assign one on the page Find sensors"
        yield '# id = "hall-1"'
        yield ""
        return
    yield "[[room.sensor]]"
    yield f"id = {quoted(room.sensor)}"
    yield 'place = "air"  # air, wood, slab, surface, outdoors'
    yield "offline_after_minutes = 30"
    yield ""


def _bounds(bounds: Bounds) -> str:
    return f"[{bounds.low:g}, {bounds.high:g}]"
