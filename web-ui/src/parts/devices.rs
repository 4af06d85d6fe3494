//! The chief's list of the devices that have joined: putting one out, and new codes.

use crate::{
    app::{app, wall_time},
    ask,
    parts::hold_key::{ABORT_MS, HoldKey, MARK_MS},
    pure::route::escaped,
    socket,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    door::{Device, NewCode, PutOut, Renew},
    event::Right,
};

/// The key that opens the list; the chief's only.
#[component]
pub fn DevicesKey() -> impl IntoView {
    let app = app();
    let chief = app.chief();
    view! {
        <Show when=move || chief.get()>
            <button type="button" class="key devices-open" data-test="devices-open" on:click=move |_| app.open(crate::pure::route::Over::Devices)>{say(W::Devices)}</button>
        </Show>
    }
}

/// The list.
#[component]
pub fn Devices() -> impl IntoView {
    let app = app();
    let list = RwSignal::new(None::<Vec<Device>>);
    let new_code = RwSignal::new(true);
    let made = RwSignal::new(None::<String>);
    let fetch = move || {
        leptos::task::spawn_local(async move {
            match ask::json::<Vec<Device>>(app, "/api/devices").await {
                Ok(found) => drop(list.try_set(Some(found))),
                Err(reason) => app.notify(fill(W::DevicesWrong, &[&reason])),
            }
        });
    };
    fetch();
    let post = move |path: String, body: String| {
        leptos::task::spawn_local(async move {
            let answer = ask::text(app, "POST", &path, Some(body)).await;
            let answer = answer.and_then(|text| {
                spinover_protocol::json::from_str::<NewCode>(&text)
                    .map_err(|error| error.to_string())
            });
            match answer {
                Ok(NewCode { code: Some(code) }) => drop(made.try_set(Some(code))),
                Ok(NewCode { code: None }) => {}
                Err(reason) => app.notify(fill(W::DevicesWrong, &[&reason])),
            }
            fetch();
        });
    };
    let json = |value: Result<String, serde_json::Error>| value.unwrap_or_default();
    let renew = move |right: Right| {
        post(
            "/api/code".to_owned(),
            json(serde_json::to_string(&Renew { right })),
        );
    };
    let out = move |device: &Device| {
        let path = format!("/api/devices/{}/out", escaped(device.device.as_str()));
        let how = PutOut {
            new_code: new_code.get_untracked(),
        };
        post(path, json(serde_json::to_string(&how)));
    };
    let row = move |device: Device| {
        let me = app.me_untracked().is_some_and(|me| me.id == device.device);
        let role = app
            .car
            .read_untracked()
            .as_ref()
            .and_then(|car| car.role(&device.role).map(|role| role.label.clone()))
            .unwrap_or_else(|| device.role.to_string());
        let label = fill(W::PutOut, &[&device.name]);
        let test = format!("put-out-{}", device.name);
        let name = device.name.clone();
        // Two of one name are told apart by the beginning of what the phone calls itself.
        let shared = list.with_untracked(|list| {
            let of_name = |other: &&Device| other.name == device.name;
            list.iter().flatten().filter(of_name).count() > 1
        });
        let id: String = device.device.as_str().chars().take(4).collect();
        let tail = shared.then(|| view! { <span class="person-role">{id}</span> });
        let (chief, gone) = (device.right == Right::Chief, device.out);
        let last = fill(W::DeviceLast, &[&wall_time(device.last)]);
        let key = (!me && !gone).then(|| {
            view! { <HoldKey label=label ms=MARK_MS test=test done=move |()| out(&device)/> }
        });
        view! {
            <li class="device" class:gone=gone data-test=format!("device-{name}") data-out=if gone { "yes" } else { "no" }>
                <span class="person-name">{name.clone()}</span>
                {tail}
                <span class="person-role">{role}</span>
                {chief.then(|| view! { <span class="tag">{say(W::ChiefRight)}</span> })}
                {me.then(|| view! { <span class="tag">{say(W::You)}</span> })}
                {gone.then(|| view! { <span class="tag">{say(W::DeviceOut)}</span> })}
                <span class="person-note">{last}</span>
                {key}
            </li>
        }
    };
    view! {
        <p class="hint">{say(W::DevicesHint)}</p>
        {move || made.get().map(|code| view! {
            <p class="new-code" role="status" data-test="new-code">{fill(W::NewCodeIs, &[&code])}</p>
        })}
        <button
            type="button" class="key choice" data-test="put-out-new-code"
            aria-pressed=move || new_code.get().to_string()
            on:click=move |_| new_code.update(|on| *on = !*on)
        >
            {move || say(if new_code.get() { W::PutOutNewCode } else { W::PutOutSameCode })}
        </button>
        <ul class="devices" data-test="devices">
            {move || list.get().unwrap_or_default().into_iter().map(row).collect_view()}
        </ul>
        <h3>{say(W::NewCodes)}</h3>
        <p class="hint">{say(W::NewCodesHint)}</p>
        <div class="choices wide">
            <HoldKey label=say(W::NewCrewCode) ms=MARK_MS test="new-code-crew" done=move |()| renew(Right::Crew)/>
            <HoldKey label=say(W::NewChiefCode) ms=ABORT_MS test="new-code-chief" done=move |()| renew(Right::Chief)/>
        </div>
    }
}

/// That somebody tries codes; the chief is told.
#[component]
pub fn Guessing() -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let guessing = app.about(&[socket::Topic::People, socket::Topic::Welcome], |link| {
        link.mirror().guessing
    });
    move || {
        guessing
            .get()
            .flatten()
            .filter(|_| chief.get())
            .map(|(wrong, addresses)| {
                let words = fill(W::Guessing, &[&wrong.to_string(), &addresses.to_string()]);
                view! {
                    <div class="banner trouble" data-test="guessing" role="status">
                        <strong>{words}</strong>
                        <span>{say(W::GuessingHint)}</span>
                    </div>
                }
            })
    }
}
