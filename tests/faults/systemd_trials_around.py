"""What stands around the service: shares, the journal, notices, the nightly copy, the user unit; under a real systemd."""

from __future__ import annotations

import json
import re
import sqlite3
import tempfile
import time
from contextlib import closing

from tests.faults.systemd_box import KEEPER, KEEPER_UID, until
from tests.faults.systemd_studio import CARD, COPY, SOON_S, STUDIO, UNIT, Installed, blocks, lines, steps
from tests.running import support

SHARE, FAR = "/mnt/prints", "/run/far"  # where it is mounted, and where its files stay while it is not


def _moved_to_share(on: Installed) -> str:
    """A copy of the studio on a tmpfs at `SHARE`, and the guide's drop-in for it; the drop-in that stood before."""
    on.box.run("systemctl", "stop", UNIT)
    on.box.run("mkdir", "-p", SHARE, FAR)
    on.box.run("mount", "-t", "tmpfs", "-o", "mode=2770,uid=printqueue,gid=printqueue", "tmpfs", FAR)
    on.box.run("cp", "-a", f"{STUDIO}/.", FAR)
    settings = on.box.path(f"{FAR}/studio.yaml")
    settings.write_text(settings.read_text() + "state: /var/lib/printqueue/studio\nwatch: poll\n")
    kept = on.dropped_in()
    on.drop_in(kept, *lines("Another folder, or a share", 0))
    return kept


def _moved_back(on: Installed, kept: str) -> None:
    on.box.run("systemctl", "stop", UNIT)
    on.box.run("umount", "--lazy", SHARE, check=False)
    on.box.run("umount", "--lazy", FAR)
    on.drop_in(kept)
    on.started()


def share_goes(on: Installed) -> str:
    """A share that goes away under the running service: it says so, writes nothing beneath, and goes on when it is back."""
    kept = _moved_to_share(on)
    try:
        on.box.run("mount", "--bind", FAR, SHARE)
        on.box.run("systemctl", "start", UNIT)
        first, before, mark = on.made(on.drop(support.picture(3), SHARE), SHARE), on.main_pid(), on.cursor()
        on.box.run("umount", "--lazy", SHARE)
        until(lambda: SHARE in on.journal(mark), 20, "it says that the share is gone")
        said = next(line for line in on.journal(mark).splitlines() if SHARE in line)
        time.sleep(3)  # some looks
        assert on.box.run("ls", "-A", SHARE) == "", "something was written on the bare mount point"
        on.box.run("mount", "--bind", FAR, SHARE)
        second = on.made(on.drop(support.picture(4), SHARE), SHARE)
        assert (on.main_pid(), on.box.shown(UNIT, "NRestarts")) == (before, "0")
    finally:
        _moved_back(on, kept)
    return f"{said[:60]}…; a print {first:.1f} s before, {second:.1f} s after it was back, same process"


def share_late(on: Installed) -> str:
    """A share whose mount fails at boot: the service starts all the same, is tried again, and works when it is there."""
    kept = _moved_to_share(on)
    unit = on.box.path("/etc/systemd/system/mnt-prints.mount")
    unit.write_text(f"[Mount]\nWhat=/dev/nowhere\nWhere={SHARE}\nType=ext4\nOptions=nofail\n")
    on.box.run("systemctl", "daemon-reload")
    try:
        on.box.run("systemctl", "start", "--no-block", UNIT)
        until(lambda: int(on.box.shown(UNIT, "NRestarts")) >= 2, 30, "it is tried again")
        on.box.run("mount", "--bind", FAR, SHARE)
        took_s = on.made(on.drop(support.picture(5), SHARE), SHARE)
    finally:
        unit.unlink()
        on.box.run("systemctl", "daemon-reload")
        _moved_back(on, kept)
    return f"a print {took_s:.1f} s after the share came"


def journal_fields(on: Installed) -> str:
    """Records come by the journal's own protocol, through the unit's walls, and name their picture in a field."""
    on.made(on.drop(support.picture(6)))
    on.box.run("journalctl", "--sync")
    entries = [json.loads(line) for line in on.box.run("journalctl", "-u", UNIT, "-o", "json").splitlines()]
    native = [entry for entry in entries if entry.get("_TRANSPORT") == "journal" and entry["_COMM"] == "printqueue"]
    assert native, "no record came by the journal's own protocol"
    named = [entry for entry in native if "PRINTQUEUE_PICTURE" in entry]
    assert named, f"{len(native)} native records, but none names a picture in a field"
    return f"{len(native)} native records, {len(named)} name a picture: {named[-1]['PRINTQUEUE_PICTURE']!r}"


def _here(text: str) -> str:
    """The box has no mailer, and /usr is read-only there."""
    return text.replace("YOUR-MAILER", "cat >>/tmp/sent").replace("/usr/local/bin", "/opt/trial/bin")


def notices(on: Installed) -> str:
    """The guide's letters: a turned-back picture runs the command in the walls, and the unit outside carries its letter."""
    for language, text in blocks("When something happens")[1:5]:
        name = re.search(r"(commands\.yaml|printqueue-[\w.-]+)", text)
        assert name, language
        on.box.path(f"{COPY}/{name[1]}").write_text(_here(text))
    settings = on.box.path(f"{STUDIO}/studio.yaml")
    good = settings.read_text()
    settings.write_text(f"{good}notify: {{command: leave-letter, on: [review, stuck, share-gone]}}\n")
    for command in steps("When something happens"):
        on.follow(_here(command))
    stem = on.drop(support.small_picture())
    sent_to = on.box.path("/tmp/sent")
    until(lambda: sent_to.exists() and stem in sent_to.read_text(), SOON_S, f"a letter was sent: {on.journal()[-600:]}")
    settings.write_text(good)
    on.started()
    assert on.box.run("ls", "-A", "/var/lib/printqueue/notices") == ""
    return repr(sent_to.read_text().splitlines()[0])


def backup(on: Installed) -> str:
    """The guide's nightly copy: the timer is set, and the copy made now is a whole ledger with today's pictures."""
    on.made(on.drop(support.picture(7)))
    for command in steps("A copy of the ledger every night"):
        on.follow(command)
    (made,) = on.box.path("/var/lib/printqueue/backups").iterdir()
    with tempfile.NamedTemporaryFile() as here:  # SQLite resolves links by name, and /proc/PID/root has none
        here.write(made.read_bytes())
        here.flush()
        with closing(sqlite3.connect(here.name)) as copy:
            (answer,) = copy.execute("PRAGMA integrity_check").fetchone()
            (rows,) = copy.execute("SELECT count(*) FROM arrivals").fetchone()
    assert answer == "ok"
    assert rows > 0
    at = on.box.shown("printqueue-backup.timer", "NextElapseUSecRealtime")
    assert "03:" in at
    return f"{made.name}: {rows} arrivals; next {at}"


def user_unit(on: Installed) -> str:
    """The guide's user part, word for word as the photographer, under their own systemd; killed, it starts again."""
    on.box.run("systemctl", "start", "dbus.socket", "systemd-logind.service")
    on.box.run("loginctl", "enable-linger", KEEPER)  # stands for a login
    until(lambda: on.box.path(f"/run/user/{KEEPER_UID}/systemd/private").exists(), 20, "the user's manager runs")
    for command in steps("User unit"):
        user = "root" if command.startswith("sudo ") else KEEPER
        on.follow(command.removeprefix("sudo "), user=user, **{"$USER": KEEPER})
    studio = on.box.path(f"/home/{KEEPER}/printqueue")
    (studio / "rules/card.yaml").write_text(support.CARD)
    (studio / "profiles/card.icc").write_bytes(support.card_profile())
    on.box.path("/tmp/User.tif").write_bytes(support.picture(8))
    into = f"/home/{KEEPER}/printqueue/ready/{CARD}/User.tif"
    on.as_user(KEEPER, "install", "-D", "-m", "644", "/tmp/User.tif", into)
    until(lambda: any((studio / "print").rglob("User*.tif")), SOON_S, "a print under the user unit")
    pid = on.as_user(KEEPER, "systemctl", "--user", "show", "--property=MainPID", "--value", "printqueue")
    fields = dict(re.findall(r"(\w+):\s+(\S+)", on.box.path(f"/proc/{pid}/status").read_text()))
    assert (fields["Seccomp"], fields["NoNewPrivs"], fields["Uid"]) == ("2", "1", str(KEEPER_UID))
    on.as_user(KEEPER, "systemctl", "--user", "stop", "printqueue")
    return "active, a print, filter in force, stopped"
