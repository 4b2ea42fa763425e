"""The open resets, the most overdue first: python due_resets.py

A list for the ward, and no more: the local protocol and the treating surgeon decide what is done and when.
"""

from datetime import UTC, datetime

from server import Server

OPEN = "requested,accepted,in-progress,on-hold"


def main() -> None:
    tasks = [task for task in Server().search("Task", status=OPEN, _count=200) if task.get("restriction")]
    tasks.sort(key=due_at)
    for task in tasks:
        late = "OVERDUE" if due_at(task) < datetime.now(UTC) else ""
        why = task.get("reasonCode", {}).get("text", "")
        print(due_at(task).isoformat(), late, task["priority"], task["for"]["reference"], why, sep="\t")
    print(f"{len(tasks)} open; local protocol and the treating surgeon decide")


def due_at(task: dict) -> datetime:
    return datetime.fromisoformat(task["restriction"]["period"]["end"])


if __name__ == "__main__":
    main()
