"""Who holds a serial port, where the system tells: Linux, through /proc."""

from pathlib import Path


def holders(port: str, proc: Path = Path("/proc")) -> list[str]:
    """`name (process 123)` for each process with the port open, as far as this user may see; empty elsewhere."""
    try:
        wanted = str(Path(port).resolve())
        processes = [entry for entry in proc.iterdir() if entry.name.isdigit()]
    except OSError:
        return []
    return [f"{_name(process)} (process {process.name})" for process in processes if _holds(process, wanted)]


def _holds(process: Path, wanted: str) -> bool:
    try:
        return any(_target(entry) == wanted for entry in (process / "fd").iterdir())
    except OSError:  # another user's process, or one that has just ended
        return False


def _target(entry: Path) -> str | None:
    try:
        return str(entry.readlink())
    except OSError:
        return None


def _name(process: Path) -> str:
    try:
        return (process / "comm").read_text().strip()[:40] or "a program"
    except OSError:
        return "a program"
