//! `#[derive(FromJson)]` for `spinover_protocol::json`: the app's own way to read what serde writes, from the same attributes, so that
//! no name is said twice. What serde derives does the same for any format and any order of keys, and is five times the code: on a
//! phone that code is most of what has to come before the first reading.
//!
//! It knows the attributes that the protocol uses and no others; an unknown one does not compile.
#![forbid(unsafe_code)]

use proc_macro::TokenStream;
use proc_macro2::TokenStream as Tokens;
use quote::{format_ident, quote};
use syn::{
    Attribute, Data, DataEnum, DeriveInput, Error, Expr, Field, Fields, GenericParam, LitStr,
    Result, Token, ext::IdentExt, parse_macro_input, parse_quote,
};

/// What `#[serde(...)]` says, on a type, a variant or a field.
#[derive(Default)]
struct Said {
    tag: Option<String>,
    rename: Option<String>,
    rename_all: Option<String>,
    default: bool,
    flatten: bool,
    closed: bool,
}

impl Said {
    fn of(attributes: &[Attribute]) -> Result<Self> {
        let mut said = Self::default();
        for attribute in attributes {
            if !attribute.path().is_ident("serde") {
                continue;
            }
            attribute.parse_nested_meta(|meta| {
                let name = meta.path.require_ident()?.to_string();
                let text = || meta.value()?.parse::<LitStr>().map(|text| text.value());
                match name.as_str() {
                    "tag" => said.tag = Some(text()?),
                    "rename" => said.rename = Some(text()?),
                    "rename_all" => said.rename_all = Some(text()?),
                    "default" if meta.input.peek(Token![=]) => {
                        return Err(meta.error("only a plain `default` is known"));
                    }
                    "default" => said.default = true,
                    "flatten" => said.flatten = true,
                    "deny_unknown_fields" => said.closed = true,
                    // A struct of one unnamed field is read as that anyway.
                    "transparent" => {}
                    // Of writing alone.
                    "skip_serializing_if" => drop(meta.value()?.parse::<Expr>()?),
                    _ => return Err(meta.error("not known to `FromJson`")),
                }
                Ok(())
            })?;
        }
        Ok(said)
    }

    fn variant(&self, all: Option<&str>, name: &str) -> Result<String> {
        match (&self.rename, all) {
            (Some(name), _) => Ok(name.clone()),
            (None, None) => Ok(name.to_owned()),
            (None, Some("lowercase")) => Ok(name.to_lowercase()),
            (None, Some("snake_case")) => Ok(snake(name)),
            (None, Some(other)) => Err(Error::new(
                proc_macro2::Span::call_site(),
                format!("`rename_all = \"{other}\"` is not known to `FromJson`"),
            )),
        }
    }
}

fn snake(name: &str) -> String {
    let mut snake = String::new();
    for letter in name.chars() {
        if letter.is_uppercase() && !snake.is_empty() {
            snake.push('_');
        }
        snake.extend(letter.to_lowercase());
    }
    snake
}

/// Reads the type from JSON as serde would.
#[proc_macro_derive(FromJson, attributes(serde))]
pub fn from_json(input: TokenStream) -> TokenStream {
    let input = parse_macro_input!(input as DeriveInput);
    implementation(&input)
        .unwrap_or_else(|error| error.to_compile_error())
        .into()
}

fn implementation(input: &DeriveInput) -> Result<Tokens> {
    let said = Said::of(&input.attrs)?;
    let body = match &input.data {
        Data::Struct(data) => match &data.fields {
            Fields::Unnamed(fields) if fields.unnamed.len() == 1 => {
                quote!(crate::json::FromJson::from_json(json).map(Self))
            }
            fields => {
                let built = fields_of(fields, said.default)?;
                let closed = said
                    .closed
                    .then(|| names(fields))
                    .transpose()?
                    .map(|names| quote!(json.only(&[#(#names),*])?;));
                let given = said
                    .default
                    .then(|| quote!(let given = <Self as ::core::default::Default>::default();));
                quote! {
                    json.object()?;
                    #closed
                    #given
                    Ok(Self #built)
                }
            }
        },
        Data::Enum(data) => of_enum(data, &said)?,
        Data::Union(_) => return Err(Error::new_spanned(input, "no unions")),
    };
    let mut generics = input.generics.clone();
    for param in &mut generics.params {
        if let GenericParam::Type(kind) = param {
            kind.bounds.push(parse_quote!(crate::json::FromJson));
        }
    }
    let (of, to, when) = generics.split_for_impl();
    let name = &input.ident;
    Ok(quote! {
        impl #of crate::json::FromJson for #name #to #when {
            fn from_json(json: &crate::json::Json<'_>) -> ::core::result::Result<Self, crate::json::Wrong> {
                #body
            }
        }
    })
}

/// The key of a field.
fn key(field: &Field, said: &Said) -> Result<String> {
    let name = field
        .ident
        .as_ref()
        .ok_or_else(|| Error::new_spanned(field, "a field needs a name"))?;
    Ok(said
        .rename
        .clone()
        .unwrap_or_else(|| name.unraw().to_string()))
}

fn names(fields: &Fields) -> Result<Vec<String>> {
    fields
        .iter()
        .map(|field| key(field, &Said::of(&field.attrs)?))
        .collect()
}

/// `{ field: …, field: … }`, each from `json`; where the whole has defaults, from `given` what is absent.
fn fields_of(fields: &Fields, given: bool) -> Result<Tokens> {
    let mut built = Vec::new();
    for field in fields {
        let said = Said::of(&field.attrs)?;
        let (name, key) = (&field.ident, key(field, &said)?);
        built.push(if said.flatten {
            quote!(#name: crate::json::FromJson::from_json(json)?)
        } else if given {
            quote!(#name: crate::json::field_or(json, #key, given.#name)?)
        } else if said.default {
            quote!(#name: crate::json::field_or_default(json, #key)?)
        } else {
            quote!(#name: crate::json::field(json, #key)?)
        });
    }
    Ok(quote!({ #(#built),* }))
}

fn of_enum(data: &DataEnum, said: &Said) -> Result<Tokens> {
    let all = said.rename_all.as_deref();
    let (mut keys, mut arms) = (Vec::new(), Vec::new());
    for (at, variant) in data.variants.iter().enumerate() {
        let name = &variant.ident;
        keys.push(Said::of(&variant.attrs)?.variant(all, &name.unraw().to_string())?);
        let built = match &variant.fields {
            Fields::Unit => quote!(Self::#name),
            Fields::Unnamed(fields) if fields.unnamed.len() == 1 => {
                quote!(Self::#name(crate::json::FromJson::from_json(json)?))
            }
            Fields::Named(_) => {
                let fields = fields_of(&variant.fields, false)?;
                quote!(Self::#name #fields)
            }
            Fields::Unnamed(_) => return Err(Error::new_spanned(variant, "one field at most")),
        };
        arms.push(quote!(#at => #built,));
    }
    // Which of them: by the tag, or by the only key, or by the text that stands in its place.
    let which = match &said.tag {
        Some(tag) => quote!(json.tag(#tag, NAMES)?),
        None if data.variants.iter().all(|one| one.fields.is_empty()) => quote!(json.name(NAMES)?),
        None => quote! {{
            let (which, inside) = json.variant(NAMES)?;
            json = inside;
            which
        }},
    };
    let again = (said.tag.is_none())
        .then(|| quote!(#[allow(unused_mut, unused_assignments)] let mut json = json;));
    let last = format_ident!("NAMES");
    Ok(quote! {
        const #last: &[&str] = &[#(#keys),*];
        #again
        Ok(match #which {
            #(#arms)*
            _ => return Err(crate::json::Wrong::default()),
        })
    })
}
