"""`closure-readings hl7v2` as a person runs it: what is printed, sent and said, and the exit codes."""

import pytest
import typer
from typer.testing import CliRunner

from service.commands.hl7v2 import Asked, Peer, print_or_send
from service.commands.hl7v2_cli import hl7v2
from tests.hl7v2.peers import library_peer


@pytest.fixture
def in_database(workflow, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", workflow.settings.database_url)


@pytest.mark.usefixtures("in_database")
class TestCommand:
    def test_prints_the_message_one_segment_a_line(self, told, capsysbinary):
        assert print_or_send(Asked("lower-leg-0302", "e04"), None) == 0
        printed = capsysbinary.readouterr().out.decode()
        assert printed.replace("\n", "\r") == told("lower-leg-0302", "e04")

    def test_sends_and_says_what_was_acknowledged(self, capsys):
        with library_peer() as (port, kept):
            assert print_or_send(Asked("lower-leg-0302", "e04"), Peer(f"127.0.0.1:{port}")) == 0
        assert len(kept) == 1
        assert "acknowledged: AA" in capsys.readouterr().err

    def test_a_refusal_is_1_and_no_answer_is_75(self, capsys):
        with library_peer("AE") as (port, _):
            assert print_or_send(Asked("lower-leg-0302", "e04"), Peer(f"127.0.0.1:{port}")) == 1
        assert "refused: AE" in capsys.readouterr().err
        assert print_or_send(Asked("lower-leg-0302", "e04"), Peer(f"127.0.0.1:{port}", timeout_s=2)) == 75
        assert "not now" in capsys.readouterr().err

    def test_an_unknown_entry_is_1(self, capsys):
        assert print_or_send(Asked("lower-leg-0302", "nothing"), None) == 1
        assert "no entry nothing" in capsys.readouterr().err

    def test_a_site_that_is_named_is_asked_instead_of_the_configured_one(self, capsys):
        assert print_or_send(Asked("lower-leg-0302", "e04", site="demo"), None) == 0
        assert print_or_send(Asked("lower-leg-0302", "e04", site="north"), None) == 1
        assert "no such course" in capsys.readouterr().err

    @pytest.mark.parametrize(
        ("asked", "peer", "why"),
        [
            (Asked("c", "e"), Peer("engine.example:2575"), "in the clear"),
            (Asked("c", "e"), Peer("engine.example"), "no host:port"),
            (Asked("c", "e"), Peer("engine.example:99999", tls=True), "no host:port"),
            (Asked("c", "e", processing_id="X"), None, "processing id"),
            (Asked("c", "e", authorities=["https://alder-bay.example/mrn"]), None, "SYSTEM=NAME"),
        ],
    )
    def test_what_is_asked_wrongly_is_2_and_nothing_is_sent(self, capsys, asked, peer, why):
        assert print_or_send(asked, peer) == 2
        assert why in capsys.readouterr().err

    def test_the_options_of_the_command_line_reach_the_message(self):
        app = typer.Typer()
        app.command()(hl7v2)
        options = ["--receiving-application", "CHART", "--receiving-facility", "WARD", "--processing-id", "T"]
        named = ["--authority", "https://tarnfels.example/patient-number=TARNFELS"]
        done = CliRunner().invoke(app, ["lower-leg-0302", "--entry", "e04", *options, *named])
        assert done.exit_code == 0, done.output
        assert "|CHART|WARD|" in done.output
        assert "|T|2.5.1|" in done.output
        assert "TARNFELS&https" in done.output
