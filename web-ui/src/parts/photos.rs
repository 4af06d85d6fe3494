//! Photos of one warm-up: taken or chosen, sent one after the other, looked at large, and taken away by the chief.

use super::hold_key::{ABORT_MS, HoldKey};
use crate::{
    app::app,
    ask, photo,
    pure::route::escaped,
    words::{Word as W, fill, say},
};
use leptos::{ev, prelude::*};
use spinover_protocol::book::{MAX_PHOTOS, Taken, is_photo};
use wasm_bindgen::JsCast;
use web_sys::{File, HtmlInputElement};

/// What a browser offers to choose from. A phone that takes other kinds makes one of these of them; the hub looks for itself.
const KINDS: &str = "image/jpeg,image/png,image/webp";

/// The photos of a warm-up.
#[component]
pub fn Photos(
    /// Which warm-up.
    id: String,
    /// What is known of them.
    names: Vec<String>,
    /// What their addresses carry.
    ticket: RwSignal<Option<String>>,
) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let written = names.iter().filter(|name| !is_photo(name));
    let written: Vec<String> = written.cloned().collect();
    let names = RwSignal::new(names);
    let shown = Memo::new(move |_| {
        let names = names.read();
        let kept = names.iter().filter(|name| is_photo(name));
        kept.cloned().collect::<Vec<_>>()
    });
    let large = RwSignal::new(None::<String>);
    // Which of how many is on its way.
    let sending = RwSignal::new(None::<(usize, usize)>);
    let wrong = RwSignal::new(Vec::<String>::new());
    let path = format!("/api/book/warmup/{}/photos", escaped(&id));
    let send = {
        let path = path.clone();
        move |files: Vec<File>| {
            let path = path.clone();
            wrong.set(Vec::new());
            leptos::task::spawn_local(async move {
                let all = files.len();
                for (n, file) in files.iter().enumerate() {
                    sending.try_set(Some((n + 1, all)));
                    let ready = photo::ready(file).await;
                    let answer = ask::file(app, &path, &ready).await;
                    let taken = answer.and_then(|text| {
                        spinover_protocol::json::from_str::<Taken>(&text)
                            .map_err(|error| error.to_string())
                    });
                    match taken {
                        Ok(Taken { photo }) => names.try_update(|names| {
                            if !names.contains(&photo) {
                                names.push(photo);
                            }
                        }),
                        Err(reason) => wrong
                            .try_update(|wrong| wrong.push(format!("{}: {reason}", file.name()))),
                    };
                }
                sending.try_set(None);
            });
        }
    };
    let chosen = move |event: ev::Event| {
        let Some(input) = event
            .target()
            .and_then(|target| target.dyn_into::<HtmlInputElement>().ok())
        else {
            return;
        };
        let list = input.files();
        let files = list
            .iter()
            .flat_map(|list| (0..list.length()).filter_map(|n| list.get(n)));
        let files: Vec<File> = files.collect();
        // So that the same one can be chosen again.
        input.set_value("");
        if !files.is_empty() {
            send(files);
        }
    };
    let address = move |name: &str, and: &str| {
        let ticket = ticket.get()?;
        Some(format!("/photo/{name}?ticket={ticket}{and}"))
    };
    let remove = {
        let path = path.clone();
        move |name: String| {
            let path = format!("{path}/{name}");
            leptos::task::spawn_local(async move {
                match ask::text(app, "DELETE", &path, None).await {
                    Ok(_) => {
                        names.try_update(|names| names.retain(|known| *known != name));
                        large.try_set(None);
                    }
                    Err(reason) => app.notify(fill(W::BookNotDone, &[&reason])),
                }
            });
        }
    };
    let busy = move || sending.get().is_some();
    let add = {
        let chosen = chosen.clone();
        move |label: W, test: &'static str, camera: bool| {
            let chosen = chosen.clone();
            view! {
                <label class="key file-key" class:from-camera=camera class:off=busy>
                    {say(label)}
                    <input type="file" data-test=test accept=KINDS multiple=!camera capture=camera.then_some("environment") disabled=busy on:change=chosen/>
                </label>
            }
        }
    };
    let full = move || names.read().len() >= MAX_PHOTOS;
    view! {
        <h3>{say(W::Photos)}</h3>
        {(!written.is_empty()).then(|| view! { <p class="hint">{fill(W::PhotosNamed, &[&written.join(", ")])}</p> })}
        <div class="photos" data-test="photos" hidden=move || large.read().is_some()>
            <For each=move || shown.get().into_iter().enumerate() key=|(n, name)| (*n, name.clone()) let:photo>
                {
                    let (n, name) = photo;
                    let source = name.clone();
                    let label = fill(W::PhotoN, &[&(n + 1).to_string()]);
                    view! {
                        <button type="button" class="photo" data-test=format!("photo-{}", n + 1) aria-label=label on:click=move |_| large.set(Some(name.clone()))>
                            <img alt=label.clone() loading="lazy" src=move || address(&source, "&small=1")/>
                        </button>
                    }
                }
            </For>
        </div>
        {move || large.get().map(|name| {
            let (source, gone, remove) = (name.clone(), name, remove.clone());
            let n = shown.get_untracked().iter().position(|known| *known == gone).map_or(0, |n| n + 1);
            view! {
                <div class="photo-large" data-test="photo-large">
                    <button type="button" class="key" data-test="photo-close" on:click=move |_| large.set(None)>{say(W::PhotosAll)}</button>
                    <img alt=fill(W::PhotoN, &[&n.to_string()]) src=move || address(&source, "")/>
                    <Show when=move || chief.get()>
                        {
                            let (gone, remove) = (gone.clone(), remove.clone());
                            view! { <HoldKey label=say(W::PhotoDeleteHold) ms=ABORT_MS test="photo-delete" class="abort" done=move |()| remove(gone.clone())/> }
                        }
                    </Show>
                </div>
            }
        })}
        {move || sending.get().map(|(n, all)| view! { <p class="photo-sending" role="status" data-test="photo-sending">{fill(W::PhotoSending, &[&n.to_string(), &all.to_string()])}</p> })}
        {move || wrong.get().into_iter().map(|words| view! { <p class="wrong" role="alert" data-test="photo-wrong">{words}</p> }).collect_view()}
        <Show when=move || !full() fallback=|| view! { <p class="hint">{fill(W::PhotosFull, &[&MAX_PHOTOS.to_string()])}</p> }>
            <div class="choices wide">
                {add(W::PhotoTake, "photo-take", true)}
                {add(W::PhotoAdd, "photo-add", false)}
            </div>
        </Show>
    }
}
