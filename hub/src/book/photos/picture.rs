//! A picture from a phone made fit to be kept: what it is by its own bytes, without where and when it was taken, and a small one
//! of it. Bytes in, bytes out; where they lie is for `mod.rs`.

use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, metadata::Orientation};
use img_parts::{
    Bytes, ImageEXIF,
    jpeg::{Jpeg, JpegSegment, markers},
    png::Png,
    riff::RiffContent,
    webp::{self, WebP},
};
use spinover_protocol::book::MAX_PHOTO;
use std::io::Cursor;

/// The longer side of the small picture, in pixels.
pub const SMALL_SIDE: u32 = 800;
/// A picture of at most so many bytes, and no longer than [`SMALL_SIDE`], is its own small one.
const SMALL_BYTES: usize = 150_000;
/// JPEG quality of the small picture, of 100.
const SMALL_QUALITY: u8 = 78;
/// The longer side of a picture that is taken in, in pixels.
const LONGEST_SIDE: u32 = 16_384;
/// Memory that unpacking one may take, in bytes: 60 million pixels of three bytes, and room.
const MOST_MEMORY: u64 = 256 * 1024 * 1024;

/// What a picture is, by its first bytes; nothing else is believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
    /// WebP.
    Webp,
}

impl Kind {
    /// All.
    pub const ALL: [Self; 3] = [Self::Jpeg, Self::Png, Self::Webp];

    /// What these bytes begin as.
    ///
    /// # Errors
    /// In words, what to do about it, when they are no picture of these kinds.
    pub fn of(bytes: &[u8]) -> Result<Self, String> {
        let brand = bytes.get(8..12).unwrap_or_default();
        match bytes {
            [0xff, 0xd8, 0xff, ..] => Ok(Self::Jpeg),
            [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => Ok(Self::Png),
            [b'R', b'I', b'F', b'F', ..] if brand == b"WEBP" => Ok(Self::Webp),
            // ISO base media file format: HEIF and AVIF say their brand behind `ftyp`.
            [_, _, _, _, b'f', b't', b'y', b'p', ..]
                if [b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif"]
                    .iter()
                    .any(|known| brand == *known) =>
            {
                Err("this is a HEIC picture, which not every phone can show: set the camera to take JPEG (on an iPhone: Settings, Camera, Formats, Most Compatible), or send a screenshot of it".to_owned())
            }
            _ => Err("this is no picture that is known: JPEG, PNG and WebP are".to_owned()),
        }
    }

    /// The end of its file's name.
    pub fn end(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Webp => "webp",
        }
    }

    /// Its media type.
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::Webp => "image/webp",
        }
    }

    fn format(self) -> ImageFormat {
        match self {
            Self::Jpeg => ImageFormat::Jpeg,
            Self::Png => ImageFormat::Png,
            Self::Webp => ImageFormat::WebP,
        }
    }
}

/// A picture fit to be kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// What it is.
    pub kind: Kind,
    /// Its bytes: the pixels as they came, which way up they go, their colour profile, and nothing else.
    pub bytes: Vec<u8>,
    /// The small picture, always JPEG; none where the picture is small itself.
    pub small: Option<Vec<u8>>,
}

impl Picture {
    /// Makes one of what somebody sent.
    ///
    /// # Errors
    /// In words: it is too large, of another kind, or cannot be read.
    pub fn take(bytes: &[u8]) -> Result<Self, String> {
        if bytes.len() > MAX_PHOTO {
            return Err(format!(
                "a photo may have {} MB at most",
                MAX_PHOTO / 1_000_000
            ));
        }
        let kind = Kind::of(bytes)?;
        let broken = |_| "this picture cannot be read; it may be cut short".to_owned();
        let (image, way_up) = unpack(kind, bytes).map_err(broken)?;
        let bare = bare(kind, bytes, way_up).ok_or_else(|| broken(()))?;
        // What is kept must be a picture too, whatever was cut away.
        if unpack(kind, &bare).map_err(broken)?.0 != image {
            return Err(broken(()));
        }
        let small = match fits(&image) && bare.len() <= SMALL_BYTES {
            true => None,
            false => Some(shrink(image, way_up).map_err(broken)?),
        };
        Ok(Self {
            kind,
            bytes: bare,
            small,
        })
    }
}

/// The small one of a picture that is kept; none where it is small itself.
///
/// # Errors
/// When it cannot be read.
pub fn small(kind: Kind, bytes: &[u8]) -> Result<Option<Vec<u8>>, ()> {
    let (image, way_up) = unpack(kind, bytes)?;
    if fits(&image) && bytes.len() <= SMALL_BYTES {
        return Ok(None);
    }
    shrink(image, way_up).map(Some)
}

fn fits(image: &DynamicImage) -> bool {
    image.width().max(image.height()) <= SMALL_SIDE
}

/// Its pixels as they lie in the file, and how they must be turned to be the right way up.
fn unpack(kind: Kind, bytes: &[u8]) -> Result<(DynamicImage, Orientation), ()> {
    let mut reader = ImageReader::with_format(Cursor::new(bytes), kind.format());
    let mut limits = Limits::default();
    limits.max_image_width = Some(LONGEST_SIDE);
    limits.max_image_height = Some(LONGEST_SIDE);
    limits.max_alloc = Some(MOST_MEMORY);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(drop)?;
    let way_up = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    if decoder.total_bytes() > MOST_MEMORY {
        return Err(());
    }
    Ok((DynamicImage::from_decoder(decoder).map_err(drop)?, way_up))
}

fn shrink(image: DynamicImage, way_up: Orientation) -> Result<Vec<u8>, ()> {
    let mut small = match fits(&image) {
        true => image,
        false => image.thumbnail(SMALL_SIDE, SMALL_SIDE),
    };
    small.apply_orientation(way_up);
    let mut out = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, SMALL_QUALITY);
    // What can be seen through is put on white, as paper would.
    let mut flat = small.to_rgb8();
    if small.color().has_alpha() {
        for (to, from) in flat.pixels_mut().zip(small.to_rgba8().pixels()) {
            let alpha = u32::from(from[3]);
            for (to, from) in to.0.iter_mut().zip(from.0) {
                *to = ((u32::from(from) * alpha + 255 * (255 - alpha)) / 255) as u8;
            }
        }
    }
    flat.write_with_encoder(encoder).map_err(drop)?;
    Ok(out)
}

/// The picture without anything that tells where, when and by what it was taken: EXIF, XMP, IPTC, comments, previews and whatever lies
/// behind its end. What is listed stays, the rest goes, so that what is not known goes too.
fn bare(kind: Kind, bytes: &[u8], way_up: Orientation) -> Option<Vec<u8>> {
    let exif = (way_up != Orientation::NoTransforms).then(|| only_way_up(way_up));
    let bytes = Bytes::copy_from_slice(bytes);
    let bare = match kind {
        Kind::Jpeg => {
            let mut jpeg = Jpeg::from_bytes(bytes.clone()).ok()?;
            jpeg.segments_mut().retain(|segment| {
                let contents = segment.contents();
                match segment.marker() {
                    markers::APP0 => contents.starts_with(b"JFIF\0"),
                    markers::APP2 => contents.starts_with(b"ICC_PROFILE\0"),
                    // How the colours are packed.
                    markers::APP14 => contents.starts_with(b"Adobe"),
                    markers::APP1..=markers::APP15 | markers::COM => false,
                    _ => true,
                }
            });
            let scan = jpeg.segments_mut().last_mut()?;
            // What follows the head of the first scan is the rest of the file.
            let rest = bytes.slice(bytes.len() - (scan.len_with_entropy() - scan.len())..);
            let picture = rest.slice(..scan_end(&rest)?);
            *scan = JpegSegment::new_with_entropy(scan.marker(), scan.contents().clone(), picture);
            jpeg.set_exif(exif);
            jpeg.encoder().bytes()
        }
        Kind::Png => {
            let mut png = Png::from_bytes(bytes).ok()?;
            png.chunks_mut().retain(|chunk| {
                let known = [
                    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"cHRM", b"gAMA", b"iCCP",
                    b"sBIT", b"sRGB", b"cICP", b"bKGD", b"pHYs",
                ];
                known.contains(&&chunk.kind())
            });
            png.set_exif(exif);
            png.encoder().bytes()
        }
        Kind::Webp => {
            let mut webp = WebP::from_bytes(bytes).ok()?;
            webp.chunks_mut().retain(|chunk| {
                [
                    webp::CHUNK_VP8X,
                    webp::CHUNK_VP8,
                    webp::CHUNK_VP8L,
                    webp::CHUNK_ALPH,
                    webp::CHUNK_ICCP,
                    webp::CHUNK_ANIM,
                    webp::CHUNK_ANMF,
                ]
                .contains(&chunk.id())
            });
            for chunk in webp.chunks_mut() {
                // The extended header says what chunks there are; of XMP there is none any more.
                if let (webp::CHUNK_VP8X, RiffContent::Data(data)) =
                    (chunk.id(), chunk.content_mut())
                    && !data.is_empty()
                {
                    let mut flags = data.to_vec();
                    flags[0] &= !0b100;
                    *data = flags.into();
                }
            }
            webp.set_exif(exif);
            webp.encoder().bytes()
        }
    };
    Some(bare.to_vec())
}

/// EXIF that says nothing but which way up: one entry, 0x0112, a short (EXIF 2.32, 4.6.4).
fn only_way_up(way_up: Orientation) -> Bytes {
    let mut exif = *b"II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\0\0\0\0\0\0\0\0";
    exif[18] = way_up.to_exif();
    Bytes::copy_from_slice(&exif)
}

/// Where the picture ends in what follows the head of its first scan: behind the end marker, which phones put a film or a second
/// picture behind, with a place of its own. None when there is none.
fn scan_end(entropy: &[u8]) -> Option<usize> {
    let mut at = 0;
    loop {
        at += entropy
            .get(at..)?
            .iter()
            .position(|byte| *byte == markers::P)?;
        match *entropy.get(at + 1)? {
            markers::EOI => return Some(at + 2),
            // A fill byte: the marker is still to come.
            markers::P => at += 1,
            0 | markers::RST0..=markers::RST7 => at += 2,
            // Another scan's head or tables, whose bytes may look like an end. Nothing else has business there.
            markers::SOS | markers::DHT | markers::DAC | markers::DRI | markers::DNL => {
                let length = entropy.get(at + 2..at + 4)?;
                at += 2 + usize::from(u16::from_be_bytes([length[0], length[1]]));
            }
            _ => return None,
        }
    }
}
