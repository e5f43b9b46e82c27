"""A throw-away PostgreSQL server for the tests: found, started on a socket, stopped at the end."""

import atexit
import functools
import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path
from urllib.parse import quote

SERVER_ACCOUNT = "postgres"  # the server refuses to run as root
FAST = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"


def binaries() -> Path | None:
    """Return the folder of the newest PostgreSQL server on this machine, or None."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


@functools.cache
def server_url(options: str = FAST) -> str:
    """Start a server, once a process, and return the URL of its database "rimebook".

    Raises RuntimeError where there is no server to start.
    """
    folder = binaries()
    if folder is None:
        raise RuntimeError("no PostgreSQL server is installed")
    home = Path(tempfile.mkdtemp(prefix="rimebook-pg-"))
    as_server: list[str] = []
    if os.geteuid() == 0:
        account = pwd.getpwnam(SERVER_ACCOUNT)
        os.chown(home, account.pw_uid, account.pw_gid)
        as_server = ["setpriv", f"--reuid={account.pw_uid}", f"--regid={account.pw_gid}", "--clear-groups"]
    home.chmod(0o755)

    def run(*command: str) -> None:
        done = subprocess.run([*as_server, *command], capture_output=True, text=True, cwd=home, check=False)
        if done.returncode:
            raise RuntimeError(f"{command[0]}: {done.stdout}{done.stderr}")

    data = home / "data"
    run(str(folder / "initdb"), "-D", str(data), "-U", "rimebook", "-A", "trust", "-E", "UTF8", "--locale=C")
    socket = f"-c listen_addresses='' -c unix_socket_directories={home}"
    run(
        str(folder / "pg_ctl"),
        "-D",
        str(data),
        "-w",
        "-l",
        str(home / "log"),
        "-o",
        f"{options} {socket}",
        "start",
    )

    def stop() -> None:
        subprocess.run(
            [*as_server, str(folder / "pg_ctl"), "-D", str(data), "-m", "immediate", "stop"],
            capture_output=True,
            cwd="/",
            check=False,
        )
        shutil.rmtree(home, ignore_errors=True)

    atexit.register(stop)
    run(str(folder / "createdb"), "-h", str(home), "-U", "rimebook", "rimebook")
    return f"postgresql://rimebook@{quote(str(home), safe='')}/rimebook"
