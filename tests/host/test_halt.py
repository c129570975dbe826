from edge.host import halt
from edge.host.halt import halt_computer


def test_the_command_is_run_with_its_arguments(tmp_path):
    assert halt_computer(["touch", str(tmp_path / "a b")]) == ""
    assert [path.name for path in tmp_path.iterdir()] == ["a b"]


def test_a_program_that_is_not_there():
    assert halt_computer(["/no/such/program"]) == "/no/such/program: No such file or directory"


def test_a_command_that_fails_says_what_it_said():
    why = halt_computer(["sh", "-c", "echo not allowed >&2; exit 3"])
    assert why == "sh: exit code 3: not allowed"


def test_a_command_that_does_not_end(monkeypatch):
    monkeypatch.setattr(halt, "_ASKED_WITHIN", 0.05)
    assert halt_computer(["sleep", "60"]) == "sleep: no end within 0.05 s"
