"""The one way in which the console writes: a form, a look at what would change, and one action.

A view says what it wishes (a form class, an action, and how the one's values become the other's
arguments); everything else happens here. "Check" rehearses the action and shows what it would do;
"Record" carries it out once, however often it is pressed.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import wraps
from http import HTTPStatus
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.db.models import Max
from django.http import HttpRequest, HttpResponse, QueryDict
from django.utils.crypto import salted_hmac

from registry.actions._action import ACTIONS
from registry.actions._requests import Answer, Request, Told, answer_before, carry_out, rehearse
from registry.console._forms import PlainForm
from registry.console._pages import Visit, page
from registry.ledger import clock
from registry.models import Staff, Subject
from registry.queries.changes import ChangeLine, change_lines
from registry.queries.moments import head_index
from registry.queries.timelines import told_event
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face, Kind
from registry.rules.roles import require_act

# What the form carries beside what was typed.
ONCE_KEY, SEEN_INDEX, STEP, FILL, MORE = "once_key", "seen_index", "step", "fill", "more"
ROWS_MORE = 3  # added to a list of rows at a time, without a script
CHECK, RECORD, EDIT = "check", "record", "edit"
_KEY = re.compile(r"console:[0-9a-f-]{36}")
_NOT_TYPED = frozenset({STEP, FILL, MORE, SEEN_INDEX, "csrfmiddlewaretoken"})


@dataclass(frozen=True)
class Wish:
    """What a view wants written.

    `arguments` turns a valid form into the action's arguments. `about` are the things that must not have
    changed since the form was shown. `back` is where the person came from, `trail` the way there from the
    front page; `after` gives the address of what was written, where that is another. `fields` names the
    form's field for an action's. `also` tells changes that no image shows. `shown_once` gives the secret in
    a result: the first answer alone shows it, and neither the session nor the answer that is kept holds it.
    `look` gives, of the action's arguments, what "Check" shows in `look_template` where what would be
    written is not to be seen before. `beside` is what else its template shows. What is refused
    with a code of `notices` is no mistake: it is said in passing, and the form is shown afresh.
    """

    title: str
    form: Callable[..., PlainForm]
    action: Callable[..., Any]
    arguments: Callable[[Any], Mapping[str, Any]]
    back: str
    about: Sequence[UUID] = ()
    after: Callable[[Any], str] | None = None
    initial: Mapping[str, Any] = field(default_factory=dict)
    fields: Mapping[str, str] = field(default_factory=dict)
    words: str = ""
    caution: str = ""
    also: Callable[[Any], list[ChangeLine]] | None = None
    template: str = "console/writing.html"
    shown_once: Callable[[Any], str] | None = None
    trail: Sequence[tuple[str, str]] = ()
    look: Callable[[Mapping[str, Any]], Mapping[str, Any]] | None = None
    look_template: str = "console/check.html"
    beside: Mapping[str, Any] = field(default_factory=dict)
    notices: Sequence[Code] = ()


def writing(action: Callable[..., Any]) -> Callable[[Callable[..., HttpResponse]], Callable[..., Any]]:
    """Make a view one that writes by an action: for those whose role may call it, whether GET or POST.

    A repeat of what was recorded is answered as it was, before the view looks at what it changed.
    """

    def decorate(view: Callable[..., HttpResponse]) -> Callable[..., Any]:
        @page(writes=True)
        @wraps(view)
        def run(visit: Visit, **keys: Any) -> HttpResponse:
            act = ACTIONS[action.__name__]
            if act is not None:
                require_act(visit.scope.role, act)
            kept = _kept_answer(visit)
            return _answered(visit, kept) if kept is not None else view(visit, **keys)

        run.action = action
        return run

    return decorate


def write(visit: Visit, wish: Wish) -> HttpResponse:
    """Show the form, show what it would change, or record it."""
    posted = visit.request.POST
    if visit.request.method != "POST":
        form = wish.form(zone=visit.zone, initial=dict(wish.initial))
        return _show_form(visit, wish, form, _fresh_key(), head_index())
    key, seen = _once_key(posted), _seen_index(posted)
    data = _filled(posted)
    form = wish.form(data, zone=visit.zone, initial=dict(wish.initial))
    step = posted.get(STEP)
    if step not in (CHECK, RECORD) or FILL in posted or MORE in posted:
        form.unjudge()
        return _show_form(visit, wish, form, key, seen)
    if not form.is_valid():
        return _show_form(visit, wish, form, key, seen, refused=True)
    try:
        arguments = wish.arguments(form)
        if step == CHECK:
            _refuse_changed(wish, seen)
            if wish.look is not None:
                return _show_check(visit, wish, key, seen, wish.look(arguments))
            told = rehearse(wish.action, visit.actor, **arguments)
            return _show_changes(visit, wish, form, told, key, seen)
        answer = carry_out(wish.action, _request(visit, wish, key, seen), **arguments)
        return _answered(visit, answer) if answer.kept_body is None else _show_once(visit, wish, answer)
    except RuleBroken as broken:
        if broken.code is Code.ROLE_FORBIDS:
            raise
        if broken.code in wish.notices:
            messages.info(visit.request, f"{broken.message} Nothing more was recorded.")
            return HttpResponse(status=HTTPStatus.SEE_OTHER, headers={"Location": visit.request.path})
        _put_refusal(wish, form, broken)
        # Shown again, the form stands on what the register says now.
        seen = head_index() if broken.code is Code.CHANGED_MEANWHILE else seen
        return _show_form(visit, wish, form, key, seen, refused=True, broken=broken)


# --- what is shown ---------------------------------------------------------------------------------


def _show_form(
    visit: Visit,
    wish: Wish,
    form: PlainForm,
    key: str,
    seen: int,
    *,
    refused: bool = False,
    broken: RuleBroken | None = None,
) -> HttpResponse:
    problems = form.problems() if form.is_bound else []
    if refused:
        form.shown_again()
    return visit.show(
        wish.template,
        {
            "title": wish.title,
            "trail": wish.trail,
            "wish": wish,
            "form": form,
            "problems": problems,
            "code": str(broken.code) if broken else "",
            "once_key": key,
            "seen_index": seen,
        },
        status=HTTPStatus.UNPROCESSABLE_ENTITY if refused else HTTPStatus.OK,
    )


def _show_changes(visit: Visit, wish: Wish, form: PlainForm, told: Told, key: str, seen: int) -> HttpResponse:
    images = [(row.table, row.before, row.after) for row in told.written]
    labels = _labels(told)
    lines = change_lines(images, labels, head_index(), visit.zone)
    shown = {
        "lines": [*lines, *(wish.also(form) if wish.also else [])],
        "reason": told.story.reason,
        "occurred_at": told.story.occurred_at,
    }
    return _show_check(visit, wish, key, seen, shown)


def _show_check(visit: Visit, wish: Wish, key: str, seen: int, shown: Mapping[str, Any]) -> HttpResponse:
    """Show what was checked, with what was typed carried on to be recorded."""
    typed = [
        (name, value)
        for name, values in visit.request.POST.lists()
        if name not in _NOT_TYPED and name != ONCE_KEY
        for value in values
    ]
    return visit.show(
        wish.look_template,
        {
            "title": wish.title,
            "trail": wish.trail,
            "wish": wish,
            "typed": typed,
            "once_key": key,
            "seen_index": seen,
            **shown,
        },
    )


def _labels(told: Told) -> dict[str, str]:
    """Return what people call the things of a story: people by name, and not by a key that is yet to be."""
    labels = {str(about.thing_id): about.label for about in told.story.about}
    labels |= {str(about.thing_id): "token" for about in told.story.about if about.kind is Kind.TOKEN}
    people = [about.thing_id for about in told.story.about if about.kind is Kind.STAFF]
    if people:
        names = Staff.objects.filter(pk__in=people).exclude(name="").values_list("pk", "name")
        labels |= {str(key): name for key, name in names}
    return labels


def _put_refusal(wish: Wish, form: PlainForm, broken: RuleBroken) -> None:
    if broken.code is Code.KEY_REUSED:
        broken = RuleBroken(
            broken.code,
            "This form was recorded before, with other values. Look at what it says now; to record something"
            " else, open the form afresh.",
        )
    form.refuse(broken, wish.fields)


# --- once, and only if nothing changed -------------------------------------------------------------


def _request(visit: Visit, wish: Wish, key: str, seen: int) -> Request:
    def render(result: Any) -> Answer:
        index = head_index()  # the action's own entry: it has been appended
        address = wish.after(result) if wish.after else wish.back
        # Not the sentence: it may name a person, and what is kept outlives the name.
        kept = str(index)
        if wish.shown_once:
            secret = wish.shown_once(result)
            return Answer(HTTPStatus.SEE_OTHER, secret, {"Location": address}, kept_body=kept)
        return Answer(HTTPStatus.SEE_OTHER, kept, {"Location": address})

    return Request(
        visit.staff.pk,
        Face.CONSOLE,
        render=render,
        key=key,
        digest=_digest(visit.request),
        precondition=lambda: _refuse_changed(wish, seen),
    )


def _refuse_changed(wish: Wish, seen: int) -> None:
    """Raise RuleBroken CHANGED_MEANWHILE where an entry after `seen` is about what the wish is about."""
    if not wish.about:
        return
    newest = Subject.objects.filter(thing_id__in=list(wish.about)).aggregate(newest=Max("entry"))["newest"]
    if newest is not None and newest > seen:
        raise RuleBroken(
            Code.CHANGED_MEANWHILE,
            "Somebody changed this meanwhile. Look at what it says now, then decide again.",
        )


def _kept_answer(visit: Visit) -> Answer | None:
    """Return the answer of what this very form recorded before, None where it did not."""
    request = visit.request
    if request.method != "POST" or request.POST.get(STEP) != RECORD:
        return None
    return answer_before(visit.staff.pk, _once_key(request.POST), _digest(request), clock.now())


def _answered(visit: Visit, answer: Answer) -> HttpResponse:
    index = int(answer.body)
    messages.success(visit.request, f"{told_event(index).words}. Recorded as entry {index}.")
    return HttpResponse(status=answer.status, headers=dict(answer.headers))


def _show_once(visit: Visit, wish: Wish, answer: Answer) -> HttpResponse:
    """Show a secret in the answer itself: after a redirect it would have to be kept somewhere."""
    return visit.show(
        "console/shown_once.html",
        {
            "title": wish.title,
            "secret": answer.body,
            "index": answer.kept_body,
            "onward": answer.headers["Location"],
        },
    )


def _digest(request: HttpRequest) -> bytes:
    """Return what makes a form the same as another: its address and what was typed.

    Keyed, because it is kept, and what was typed may be a password.
    """
    typed = sorted(
        (name, value) for name, values in request.POST.lists() if name not in _NOT_TYPED for value in values
    )
    same = repr((request.path, typed))
    return salted_hmac("registry.console.writing", same, algorithm="sha256").digest()


def _fresh_key() -> str:
    return f"console:{uuid4()}"


def _once_key(posted: QueryDict) -> str:
    key = posted.get(ONCE_KEY, "")
    return key if _KEY.fullmatch(key) else _fresh_key()


def _seen_index(posted: QueryDict) -> int:
    typed = posted.get(SEEN_INDEX, "")
    return int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 15 else 0


def _filled(posted: QueryDict) -> QueryDict:
    """Return what was posted, with a picked suggestion (field=value) in its field, and more rows if asked."""
    picked, rows = posted.get(FILL, ""), f"{posted.get(MORE, '')}-TOTAL_FORMS"
    data = posted.copy()
    if "=" in picked:
        name, value = picked.split("=", 1)
        data[name] = value
    count = posted.get(rows, "")
    if count.isascii() and count.isdigit() and len(count) <= 4:
        data[rows] = str(int(count) + ROWS_MORE)
    return data
