//! Between rounds: one figure above all, what can start now, what is late, what all wait for, and the marks.

use crate::{
    app::{App, app, clock_text as clock},
    parts::{
        air_then::{AirCard, AirLine},
        figures::Figures,
        hold_key::{ABORT_MS, HoldKey, MARK_MS},
        late::LateBars,
        season::{Season, SeasonDue},
    },
    pure::{
        draft::typed_number,
        route::Page,
        turnaround::{Row, Standing, minutes_until, percent, rows},
    },
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    Millis, RoleKey, TaskKey,
    event::Audience,
    link::Link,
    message::{Command, SheetTitle},
    turnaround::{Between, Help, Outlook, Plan, Turnaround},
};

/// What the chief can add to a task, and move the call by, in minutes.
const STEPS_MIN: [i64; 2] = [5, 15];

fn under_way(link: &Link) -> Option<Turnaround> {
    let turnaround = link.mirror().record.turnaround.clone()?;
    turnaround.closed_at.is_none().then_some(turnaround)
}

fn outlook(link: &Link) -> Option<Outlook> {
    let now = link.mirror().turnaround.as_ref()?;
    now.outlook.as_deref().cloned()
}

fn board(link: &Link, chief: bool) -> Vec<Row> {
    let role = link.mirror().welcome.as_ref().map(|w| w.you.role.clone());
    under_way(link).map_or_else(Vec::new, |turnaround| {
        let role = role.unwrap_or_default();
        rows(&turnaround, outlook(link).as_ref(), &role, chief)
    })
}

fn role_label(app: App, role: &RoleKey) -> String {
    let car = app.car.read_untracked();
    let known = car
        .as_ref()
        .and_then(|car| car.role(role).map(|role| role.label.clone()));
    known.unwrap_or_else(|| role.to_string())
}

/// The page.
#[component]
pub fn TurnaroundPage() -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let going = app.about(&[Topic::Record], |link| under_way(link).is_some());
    let plan = app.about(&[Topic::Turnaround], |link| {
        link.mirror()
            .turnaround
            .as_ref()
            .map(|now| now.plan.clone())
    });
    let title = move || {
        plan.get()
            .flatten()
            .unwrap_or_else(|| say(W::PageTurnaround).to_owned())
    };
    view! {
        <section class="turnaround" data-test="turnaround">
            <h2>{title}</h2>
            <p class="hint">{say(W::TurnAdvises)}</p>
            <LateBars all=true/>
            <SeasonDue/>
            {move || if going.get() == Some(true) {
                view! { <Head/><HandOver chief=chief/><Tasks chief=chief/><AirCard call=true/><Chain/><Helps/><Show when=move || chief.get()><Manage/></Show> }.into_any()
            } else {
                view! {
                    <p>{say(W::TurnNone)}</p>
                    <Show when=move || chief.get() fallback=|| view! { <p class="hint">{say(W::TurnNoneCrew)}</p> }><Begin plan=plan/></Show>
                }.into_any()
            }}
            <Season/>
            // The last of all: paper is for the laptop, and a phone has no room for its key above the figure.
            <button type="button" class="key small turn-print" data-test="turn-print" on:click=move |_| { let _ = window().print(); }>{say(W::TurnPrint)}</button>
        </section>
    }
}

/// On the pages of the car, as long as the warm-up has not been started: how it stands, and the way to the board.
#[component]
pub fn TurnaroundLine() -> impl IntoView {
    let app = app();
    let said = app.about(&[Topic::Record, Topic::Turnaround], |link| {
        let turnaround = under_way(link)?;
        let started = turnaround.tasks.contains_key(&turnaround.plan.warm_up);
        (!started).then(|| outlook(link))
    });
    let words = move || {
        let said = said.get().flatten().flatten()?;
        let chance = said.chance.map(percent);
        let ready = said
            .ready
            .map(|ready| say(W::TurnReady).to_owned() + " " + &clock(ready.middle));
        Some(
            [chance, ready]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(" · "),
        )
    };
    view! {
        <Show when=move || said.read().as_ref().is_some_and(Option::is_some)>
            <button type="button" class="key turn-line" data-test="turn-line" on:click=move |_| app.go(Page::Turnaround)>
                {say(W::PageTurnaround)} " " <small>{words}</small>
            </button>
        </Show>
    }
}

/// The figure above all.
#[component]
fn Head() -> impl IntoView {
    let app = app();
    let said = app.about(&[Topic::Turnaround], outlook);
    let lanes = app.about(&[Topic::Record], |link| under_way(link)?.lanes_at);
    let said = move || said.get().flatten();
    let chance = move || said()?.chance;
    let times = |between: Between| {
        let around = fill(W::TurnBetween, &[&clock(between.from), &clock(between.to)]);
        (clock(between.middle), around)
    };
    let attention = move || chance().is_some_and(|chance| chance < 0.5);
    let lanes_words = move || match lanes.get().flatten() {
        None => say(W::TurnLanesNone).to_owned(),
        Some(at) => {
            let left = minutes_until(at, app.second.get() * 1000);
            let when = if left >= 0 { W::TurnIn } else { W::TurnAgo };
            fill(
                W::TurnLanes,
                &[&clock(at), &fill(when, &[&left.abs().to_string()])],
            )
        }
    };
    view! {
        <div class="figure turn-head" class:attention=attention data-test="turn-head">
            <p class="turn-lanes" data-test="turn-lanes">{lanes_words}</p>
            <AirLine/>
            {move || said().map(|said| {
                let (label, between) = match said.ready {
                    Some(ready) => (W::TurnReady, ready),
                    None => (W::TurnEnd, said.end),
                };
                let (middle, around) = times(between);
                view! {
                    {said.chance.map(|chance| view! {
                        <div class="figure-value"><span class="digits" data-test="turn-chance" data-chance=chance>{percent(chance)}</span><span>{say(W::TurnChance)}</span></div>
                    })}
                    <p class="name">{say(label)}</p>
                    <div class="figure-value"><span class="digits" data-test="turn-ready">{middle}</span><span class="between">{around}</span></div>
                    {said.start_by.map(|at| view! { <p data-test="turn-start-by">{fill(W::TurnStartBy, &[&clock(at)])}</p> })}
                }
            })}
        </div>
    }
}

/// What the warm-up needs to know of the day, as it was typed in: the next sheet begins with it.
const FOR_THE_WARM_UP: &[&str] = &["density_altitude", "mix", "flow"];

/// Once nothing is left to wait for: the day's figures, and the chief's key that begins the sheet.
#[component]
fn HandOver(chief: Memo<bool>) -> impl IntoView {
    let app = app();
    let warm_up = app.about(&[Topic::Record, Topic::Welcome], |link| {
        let turnaround = under_way(link)?;
        let task = turnaround.plan.warm_up.clone();
        let first = link.mirror().welcome.as_ref()?.sheets.first().cloned();
        turnaround
            .may_start(&task)
            .is_ok()
            .then_some((task, first?))
    });
    let begin = move |(task, sheet): (TaskKey, SheetTitle)| {
        let label = fill(W::TurnBeginSheet, &[&sheet.name]);
        let done = move |()| {
            app.want(Command::StartTask { task: task.clone() });
            let sheet = sheet.key.clone();
            app.want(Command::Begin { sheet });
            app.go(Page::Chief);
        };
        view! { <HoldKey label=label ms=MARK_MS test="turn-warm-up" class="primary" done=done/> }
    };
    view! {
        <Show when=move || warm_up.read().as_ref().is_some_and(Option::is_some)>
            <div data-test="turn-hand-over">
                <h3>{say(W::TurnHandOver)}</h3>
                <Figures only=FOR_THE_WARM_UP quiet=true/>
                <p class="hint">{say(W::AirOffered)}</p>
                <Show when=move || chief.get()>{move || warm_up.get().flatten().map(begin)}</Show>
            </div>
        </Show>
    }
}

#[component]
fn Tasks(chief: Memo<bool>) -> impl IntoView {
    let app = app();
    let rows = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Turnaround, Topic::Welcome]);
        socket::with(|link| board(link, chief.get())).unwrap_or_default()
    });
    let group = move |standing: Standing| {
        let keys = Memo::new(move |_| {
            let rows = rows.read();
            let of = rows.iter().filter(|row| row.standing == standing);
            of.map(|row| row.task.key.clone()).collect::<Vec<_>>()
        });
        let title = match standing {
            Standing::Running => W::TurnRunning,
            Standing::Ready => W::TurnCanStart,
            Standing::Waiting => W::TurnWaiting,
            Standing::Done => W::TurnDone,
        };
        view! {
            <Show when=move || !keys.read().is_empty()>
                <h3>{say(title)} " " <small>{move || keys.read().len()}</small></h3>
                // The key is the task alone: a key that is held must not be made anew when the figures are.
                <For each=move || keys.get() key=|key| key.clone() let:key>
                    <TaskRow rows=rows key=key standing=standing/>
                </For>
            </Show>
        }
    };
    view! { <div class="turn-tasks">{Standing::ALL.map(group)}</div> }
}

#[component]
fn TaskRow(rows: Memo<Vec<Row>>, key: TaskKey, standing: Standing) -> impl IntoView {
    let app = app();
    let test = format!("task-{key}");
    let wanted = key.clone();
    let row = Memo::new(move |_| {
        let rows = rows.read();
        rows.iter().find(|row| row.task.key == wanted).cloned()
    });
    let late = Memo::new(move |_| row.read().as_ref().is_some_and(Row::late));
    let critical = Memo::new(move |_| row.read().as_ref().is_some_and(Row::critical));
    let own = Memo::new(move |_| row.read().as_ref().is_some_and(|row| row.own));
    let may = Memo::new(move |_| row.read().as_ref().is_some_and(|row| row.may));
    let may_undo = Memo::new(move |_| row.read().as_ref().is_some_and(|row| row.may_undo));
    let words = Memo::new(move |_| {
        row.read()
            .as_ref()
            .map(|row| note(app, row))
            .unwrap_or_default()
    });
    let fixed = row.get_untracked().map(|row| row.task).unwrap_or_default();
    let key = StoredValue::new(key);
    let start = move |()| {
        app.want(Command::StartTask {
            task: key.get_value(),
        })
    };
    let finish = move |()| {
        app.want(Command::FinishTask {
            task: key.get_value(),
        })
    };
    let undo = move |()| {
        app.want(Command::UndoTask {
            task: key.get_value(),
        })
    };
    let more = move |minutes: i64| {
        let task = key.get_value();
        app.want(Command::TaskLate {
            task,
            left_min: minutes as f64,
        });
    };
    let chief = app.chief();
    let call_label = StoredValue::new(fill(W::TurnCall, &[&role_label(app, &fixed.owner)]));
    let late_task = StoredValue::new((fixed.owner.clone(), fixed.text.clone()));
    let call = move || {
        let (owner, text) = late_task.get_value();
        app.want(Command::Call {
            to: Audience::Role(owner),
            text: fill(W::TurnLateCall, &[&text]),
        });
    };
    let k = key.get_value();
    view! {
        <div class="turn-task" data-test=test data-state=standing.key() data-late=move || if late.get() { "yes" } else { "no" } class:own=own>
            <span class="turn-mark" aria-hidden="true"></span>
            <div class="turn-what">
                <strong>{fixed.text.clone()}</strong> " " <small>{role_label(app, &fixed.owner)}</small>
                <Show when=move || late.get()><span class="tag look">{say(W::TurnLate)}</span></Show>
                <Show when=move || critical.get()><span class="tag">{say(W::TurnAllWait)}</span></Show>
                <p class="turn-note">{move || words.get()}</p>
                {(standing != Standing::Done).then(|| fixed.caution.clone()).flatten().map(|caution| view! { <p class="turn-caution">{caution}</p> })}
                <Show when=move || late.get() && chief.get()>
                    <button type="button" class="key" data-test=format!("task-call-{}", key.get_value()) on:click=move |_| call()>{call_label.get_value()}</button>
                </Show>
                <Show when=move || may.get()>
                    <div class="choices">
                        {(standing == Standing::Ready).then(|| view! { <HoldKey label=say(W::TurnStart) ms=MARK_MS test=format!("task-start-{k}") class="begins" done=start/> })}
                        {(standing == Standing::Running).then(|| view! { <HoldKey label=say(W::TurnFinish) ms=MARK_MS test=format!("task-done-{k}") class="primary finishes" done=finish/> })}
                        {(standing == Standing::Running).then(|| STEPS_MIN.map(|minutes| view! {
                            <button type="button" class="key" data-test=format!("task-late-{minutes}-{k}") on:click=move |_| more(minutes)>{fill(W::TurnLonger, &[&minutes.to_string()])}</button>
                        }))}
                    </div>
                    // On a line of its own, at the other side and smaller: who means "done" must not find it under the thumb.
                    <Show when=move || may_undo.get()>
                        <div class="turn-back"><HoldKey label=say(W::TurnUndo) ms=MARK_MS test=format!("task-undo-{}", key.get_value()) class="undoes" done=undo/></div>
                    </Show>
                </Show>
            </div>
        </div>
    }
}

/// What is to be said of a task beside its name.
fn note(app: App, row: &Row) -> String {
    let mut parts = Vec::new();
    if let Some((at, by)) = &row.done {
        return fill(W::DoneBy, &[&clock(*at), by]);
    }
    if let Some(since) = row.since {
        let minutes = -minutes_until(since, app.second.get() * 1000);
        parts.push(fill(W::TurnSince, &[&minutes.max(0).to_string()]));
    }
    if !row.waits_for.is_empty() {
        parts.push(fill(W::TurnWaitsFor, &[&row.waits_for.join(", ")]));
    }
    if let Some(now) = &row.now {
        let times = match row.standing {
            Standing::Running => fill(W::TurnUntil, &[&clock(now.finish)]),
            _ => fill(W::TurnBetween, &[&clock(now.start), &clock(now.finish)]),
        };
        parts.push(times);
        if now.over {
            parts.push(say(W::TurnOver).to_owned());
        }
        match now.spare_min {
            Some(spare) if spare < 0.0 => {
                parts.push(fill(W::TurnLateBy, &[&(-spare).ceil().to_string()]));
            }
            Some(spare) => parts.push(fill(W::TurnSpare, &[&spare.floor().to_string()])),
            None => parts.push(fill(W::TurnSlack, &[&now.slack_min.floor().to_string()])),
        }
        if now.learned > 0 {
            parts.push(fill(W::TurnLearned, &[&now.learned.to_string()]));
        }
    }
    parts.join(" · ")
}

fn plan(link: &Link) -> Option<Plan> {
    under_way(link).map(|turnaround| turnaround.plan)
}

fn task_text(plan: &Plan, key: &TaskKey) -> String {
    let known = plan.task(key);
    known.map_or_else(|| key.to_string(), |(_, task)| task.text.clone())
}

/// The longest chain of what is left.
#[component]
fn Chain() -> impl IntoView {
    let app = app();
    let chain = app.about(&[Topic::Turnaround], |link| {
        let plan = plan(link)?;
        let path = outlook(link)?.path;
        Some(
            path.iter()
                .map(|key| task_text(&plan, key))
                .collect::<Vec<_>>(),
        )
    });
    let items = move || {
        let chain = chain.get().flatten().unwrap_or_default();
        chain
            .into_iter()
            .map(|text| view! { <li>{text}</li> })
            .collect_view()
    };
    view! {
        <h3>{say(W::TurnPath)}</h3>
        <ol class="turn-path" data-test="turn-path">{items}</ol>
    }
}

#[component]
fn Helps() -> impl IntoView {
    let app = app();
    let helps = app.about(&[Topic::Turnaround], |link| {
        let plan = plan(link)?;
        Some((plan, outlook(link)?.helps))
    });
    let words = move |plan: &Plan, help: &Help| match help {
        Help::Quicker { task } => fill(W::TurnQuicker, &[&task_text(plan, task)]),
        Help::Hands { role } => fill(W::TurnHands, &[&role_label(app, role)]),
        Help::OneMore { thing } => {
            let known = plan.few.iter().find(|few| few.key == *thing);
            fill(W::TurnOneMore, &[known.map_or(thing, |few| &few.label)])
        }
    };
    let items = move || {
        let (plan, helps) = helps.get().flatten().unwrap_or_default();
        let shown = helps.iter().take(4).map(|help| {
            let gain = fill(W::TurnGain, &[&format!("{:.0}", help.earlier_min.max(1.0))]);
            view! { <li>{words(&plan, &help.help)} ": " <strong>{gain}</strong></li> }
        });
        shown.collect_view()
    };
    let some = move || {
        helps
            .read()
            .as_ref()
            .is_some_and(|h| h.as_ref().is_some_and(|(_, h)| !h.is_empty()))
    };
    view! {
        <Show when=some>
            <h3>{say(W::TurnHelps)}</h3>
            <ul class="turn-path" data-test="turn-helps">{items}</ul>
        </Show>
    }
}

/// The minutes until the call to the lanes, typed in; none while the field is empty or no number.
fn minutes_field(text: RwSignal<String>) -> impl IntoView {
    view! {
        <label>
            {say(W::TurnLanesIn)}
            <input type="text" inputmode="numeric" data-test="turn-lanes-in" prop:value=text on:input=move |event| text.set(event_target_value(&event))/>
        </label>
    }
}

fn typed_lanes(app: App, text: RwSignal<String>) -> Option<Millis> {
    let minutes = typed_number(&text.get_untracked())?;
    minutes
        .is_finite()
        .then(|| app.clock.get_untracked() + (minutes * 60_000.0) as Millis)
}

#[component]
fn Begin(plan: Memo<Option<Option<String>>>) -> impl IntoView {
    let app = app();
    let text = RwSignal::new(String::new());
    let begin = move |()| {
        app.want(Command::BeginTurnaround {
            lanes_at: typed_lanes(app, text),
        })
    };
    view! {
        <Show when=move || plan.get().flatten().is_some() fallback=|| view! { <p class="hint">{say(W::TurnNoPlan)}</p> }>
            {minutes_field(text)}
            <HoldKey label=say(W::TurnBegin) ms=MARK_MS test="turn-begin" class="primary" done=begin/>
        </Show>
    }
}

/// The chief's own: the call to the lanes, and the end.
#[component]
fn Manage() -> impl IntoView {
    let app = app();
    let text = RwSignal::new(String::new());
    let set = move |_| {
        if let Some(at) = typed_lanes(app, text) {
            app.want(Command::SetLanesCall { lanes_at: Some(at) });
            text.set(String::new());
        }
    };
    let move_by = move |minutes: i64| {
        let at = socket::with(|link| under_way(link)?.lanes_at).flatten();
        if let Some(at) = at {
            let lanes_at = Some(at + minutes * 60_000);
            app.want(Command::SetLanesCall { lanes_at });
        }
    };
    let [little, much] = STEPS_MIN;
    let moves = [-much, -little, little, much].map(|minutes| {
        let label = format!("{minutes:+} min").replace('-', "\u{2212}");
        view! { <button type="button" class="key" data-test=format!("turn-move-{minutes}") on:click=move |_| move_by(minutes)>{label}</button> }
    });
    let close = move |()| app.want(Command::CloseTurnaround {});
    view! {
        <div class="turn-manage">
        <h3>{say(W::TurnMove)}</h3>
        <div class="choices">{moves}</div>
        {minutes_field(text)}
        <button type="button" class="key" data-test="turn-lanes-set" on:click=set>{say(W::TurnLanesSet)}</button>
        <p></p>
        <HoldKey label=say(W::TurnClose) ms=ABORT_MS test="turn-close" class="abort" done=close/>
        </div>
    }
}
