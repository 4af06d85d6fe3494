//! A photo before it is sent: made smaller on the phone that took it, so that the pit's Wi-Fi carries readings and not pixels that nobody
//! looks at.

use crate::pure::show::fitted;
use leptos::prelude::*;
use spinover_protocol::book::PHOTO_SIDE;
use wasm_bindgen::{JsCast, JsValue};
use wasm_bindgen_futures::JsFuture;
use web_sys::{Blob, CanvasRenderingContext2d, File, HtmlCanvasElement, ImageBitmap};

/// JPEG quality of what is made smaller, of 1.
const QUALITY: f64 = 0.85;

/// What is sent of a file: a smaller picture where it is a larger one, else the file as it is, for the hub to look at.
pub async fn ready(file: &File) -> Blob {
    match shrunk(file).await {
        Ok(Some(blob)) => blob,
        // What this browser cannot read may be a picture all the same, or the hub says in words what it is.
        _ => file.clone().into(),
    }
}

async fn shrunk(file: &File) -> Result<Option<Blob>, JsValue> {
    let made = window().create_image_bitmap_with_blob(file)?;
    let bitmap: ImageBitmap = JsFuture::from(made).await?.dyn_into()?;
    let Some((width, height)) = fitted(bitmap.width(), bitmap.height(), PHOTO_SIDE) else {
        bitmap.close();
        return Ok(None);
    };
    let canvas: HtmlCanvasElement = document().create_element("canvas")?.dyn_into()?;
    canvas.set_width(width);
    canvas.set_height(height);
    let pen = canvas.get_context("2d")?.ok_or(JsValue::NULL)?;
    let pen: CanvasRenderingContext2d = pen.dyn_into()?;
    let (width, height) = (f64::from(width), f64::from(height));
    // What can be seen through would come out black.
    pen.set_fill_style_str("#fff");
    pen.fill_rect(0.0, 0.0, width, height);
    let drawn = pen.draw_image_with_image_bitmap_and_dw_and_dh(&bitmap, 0.0, 0.0, width, height);
    bitmap.close();
    drawn?;
    let promise = js_sys::Promise::new(&mut |done, failed| {
        let quality = JsValue::from_f64(QUALITY);
        let asked = canvas.to_blob_with_type_and_encoder_options(&done, "image/jpeg", &quality);
        if let Err(error) = asked {
            let _ = failed.call1(&JsValue::NULL, &error);
        }
    });
    Ok(JsFuture::from(promise).await?.dyn_into().ok())
}
