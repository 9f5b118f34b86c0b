"""Training: the cause hidden until somebody has said what they think, then all of it; answers that stay."""

import re
from uuid import UUID

import psycopg
import pytest

from coldcase.feedback.training import shipped_cases
from coldcase.shipped import case_library, starter_table
from tests.web.drafting import problem
from tests.web.test_figure_pages import SCOPES, record
from tests.web.test_table_pages import BROWSER, seen, text_of

pytestmark = pytest.mark.anyio
WATER = next(name for name, one in shipped_cases().items() if one.title == "Water: wet repair in the rain")


@pytest.fixture
async def trainee(service):
    return await service.caller("decisions:read")


async def say(caller, name, cause="moisture", check="nothing_more", **more):
    return await caller.post(f"/training/{name}", data={"cause": cause, "check": check, **more})


def without_choices(page: str) -> str:
    return re.sub(r"<select.*?</select>", "", page, flags=re.DOTALL)


async def test_no_case_gives_its_cause_away_before_the_answer(trainee):
    table = starter_table()
    overview = await seen(trainee, "/training")
    for name, one in shipped_cases().items():
        answered = await trainee.get(f"/training/{name}", headers=BROWSER)
        shown = without_choices(answered.text)
        for hidden in (
            one.title,
            *one.right,
            *(table.causes[code].title for code in one.right if code in table.causes),
        ):
            assert hidden not in shown, hidden
            assert hidden not in str(answered.headers), hidden
            assert hidden not in name
        assert one.title not in overview
        assert one.told.replace("'", "&#39;") in overview
        choices = "".join(re.findall(r'<select id="(?:cause|second)".*?</select>', answered.text, re.DOTALL))
        # Each cause stands in the choices of both questions alike.
        assert len({choices.count(f'value="{code}"') for code in table.causes}) == 1


async def test_the_order_of_the_cases_says_nothing_of_their_causes():
    shown = [next(iter(one.right)) for one in shipped_cases().values()]
    told = [next(iter(one.right)) for one in case_library("worked")]
    assert sorted(shown) == sorted(told)
    assert shown != told


async def test_nothing_is_shown_to_whoever_has_not_answered(trainee):
    answered = await trainee.get(f"/training/{WATER}/answer", headers=BROWSER)
    assert (answered.status_code, answered.headers["Location"]) == (303, f"/training/{WATER}")
    assert "Water" not in answered.text


async def test_after_the_answer_the_case_is_told_weighed_and_compared(service):
    caller = await service.caller("decisions:read", client="Tern Haven School")
    said = await say(caller, WATER, cause="acid_carryover", second="moisture", check="lab_trend")
    assert (said.status_code, said.headers["Location"]) == (303, f"/training/{WATER}/answer")
    shown = text_of(await seen(caller, f"/training/{WATER}/answer"))
    assert "It was Water in the refrigerant circuit" in shown
    acid, water = (starter_table().causes[code].title for code in ("acid_carryover", "moisture"))
    assert f"You said {acid} , then {water} : it was another , though the second that you named" in shown
    assert "heavy. Of 100 such failures about 32 show it, of 100 others about 2.5" in shown
    assert "Of 100 from “Acid left in the circuit by an earlier burnout”, which you named, about 22." in shown
    assert starter_table().causes["moisture"].contrast[0].check in shown
    assert "You are the first of your people" in shown
    assert not re.search(r"\bdB\b|deciban", shown)


async def test_what_was_said_first_stays_and_progress_counts_it(service):
    caller = await service.caller("decisions:read", client="Tern Haven Evening School")
    await say(caller, WATER, cause="acid_carryover")
    again = await say(caller, WATER, cause="moisture")
    assert again.headers["Location"] == f"/training/{WATER}/answer"
    assert (await caller.get(f"/training/{WATER}")).headers["Location"] == f"/training/{WATER}/answer"
    shown = text_of(await seen(caller, "/training"))
    assert "1 of 54 cases answered" in shown
    assert "you said Acid after a burnout; it was another" in shown
    assert "All 0 of 1: 0% (0% to 79%)" in shown


async def test_a_person_with_two_keys_is_one_trainee_and_colleagues_are_others(service):
    first, second, colleague, stranger = [
        service.http((await service.key("decisions:read", client=client, person=person))[0])
        for client, person in (
            ("Tern Haven Docks", "bench-1"),
            ("Tern Haven Docks", "bench-1"),
            ("Tern Haven Docks", "bench-2"),
            ("Tern Haven Quay", "bench-1"),
        )
    ]
    await say(first, WATER)
    assert (await second.get(f"/training/{WATER}")).status_code == 303
    for other in (colleague, stranger):
        assert (await other.get(f"/training/{WATER}")).status_code == 200
    await say(colleague, WATER, cause="undetermined", check="lab_water")
    shown = text_of(await seen(colleague, f"/training/{WATER}/answer"))
    assert "Of 2 of your people, you among them, 1 named it first." in shown
    assert "Water in the refrigerant circuit 1 of 2: 50% (9% to 91%)" in shown
    await say(stranger, WATER)
    assert "You are the first of your people" in text_of(await seen(stranger, f"/training/{WATER}/answer"))


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"cause": ""}, "Name a cause"),
        ({"cause": "curse"}, "Name a cause"),
        ({"second": "curse"}, "Choose one of the list"),
        ({"check": ""}, "Say what you would look at next"),
        ({"check": "crystal_ball"}, "Say what you would look at next"),
    ],
)
async def test_an_answer_with_a_flaw_comes_back_and_is_not_kept(service, trainee, fields, says):
    before = await service.count("training_answer")
    answered = await say(trainee, WATER, **fields)
    assert answered.status_code == 422
    assert says in text_of(answered.text)
    assert await service.count("training_answer") == before


async def test_a_decision_with_a_verdict_is_a_case_of_its_client(service, case):
    firm = await service.caller(*SCOPES, client="Tern Haven Butter Store")
    case["job"]["note"] = "it was water, as ever"
    made = await record(firm, case, 1, verdict="acid_carryover")
    quiet = await record(firm, case, 2)
    path = f"/training/{made['id']}"
    page = await seen(firm, path)
    assert "Acid left" not in without_choices(page)
    assert "it was water" not in page
    assert path in await seen(firm, "/training")
    assert problem(await firm.get(f"/training/{quiet['id']}")) == (404, "not_found")

    await say(firm, made["id"])
    shown = text_of(await seen(firm, f"{path}/answer"))
    assert (
        "It was Acid left in the circuit by an earlier burnout , by what was established afterwards" in shown
    )
    assert f"/v1/decisions/{made['id']}" in await seen(firm, f"{path}/answer")

    stranger = await service.caller("decisions:read", "decisions:read:all", client="Tern Haven Rivals")
    assert problem(await stranger.get(path)) == (404, "not_found")
    assert problem(await say(stranger, made["id"])) == (404, "not_found")
    assert path not in await seen(stranger, "/training")


@pytest.mark.parametrize("name", ["worked-0000000000", "nothing", str(UUID(int=7))])
async def test_a_case_that_is_none_is_not_found(trainee, name):
    assert problem(await trainee.get(f"/training/{name}")) == (404, "not_found")


async def test_every_worked_case_can_be_answered_and_weighed(own):
    caller = await own.caller("decisions:read", "tables:read")
    for name, one in shipped_cases().items():
        await say(caller, name, cause=min(one.right))
        assert "right" in text_of(await seen(caller, f"/training/{name}/answer"))
    assert "54 of 54 cases answered" in text_of(await seen(caller, "/training"))


async def test_answers_are_never_changed_and_belong_to_the_client_of_their_key(own, service_database):
    caller = await own.caller("decisions:read")
    await say(caller, WATER)
    await own.caller("decisions:read", client="Tern Haven Rivals")
    given = """INSERT INTO training_answer (id, client_id, by_key, case_name, causes, was_right)
        SELECT gen_random_uuid(), {whose}, id, 'worked-x', '{{moisture}}', true
        FROM api_key WHERE client_id = {by}"""

    def tried(url: str, client: int, statement: str) -> str | None:
        with psycopg.connect(url.replace("+psycopg", "")) as conn:
            conn.execute("SELECT set_config('coldcase.client', %s, false)", [str(client)])
            try:
                conn.execute(statement)
            except psycopg.Error as error:
                return type(error).__name__
        return None

    owner, role = service_database.owner_url, service_database.service_url
    for statement in (
        "UPDATE training_answer SET was_right = false",
        "DELETE FROM training_answer",
        "TRUNCATE training_answer",
    ):
        assert tried(owner, 1, statement) == "RestrictViolation"
        assert tried(role, 1, statement) == "InsufficientPrivilege"
    assert tried(role, 1, given.format(whose=1, by=1)) is None
    for whose, by, as_client in ((1, 2, 1), (2, 1, 1), (2, 2, 1)):
        assert tried(role, as_client, given.format(whose=whose, by=by)) == "InsufficientPrivilege"
    timed = given.replace("was_right)", "was_right, at)").replace(
        "true\n", "true, now() - interval '1 year'\n"
    )
    assert tried(role, 1, timed.format(whose=1, by=1)) == "InsufficientPrivilege"
    with psycopg.connect(role.replace("+psycopg", "")) as conn:
        assert conn.execute("SELECT count(*) FROM training_answer").fetchone() == (0,)
        conn.execute("SELECT set_config('coldcase.client', '2', false)")
        assert conn.execute("SELECT count(*) FROM training_answer").fetchone() == (0,)
        conn.execute("SELECT set_config('coldcase.client', '1', false)")
        assert conn.execute("SELECT count(*) FROM training_answer").fetchone() == (2,)
