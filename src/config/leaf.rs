//! Single values of the files: numbers, texts, words, lists of them, each refused with what is wanted.

use toml::Spanned;
use toml::de::DeValue;

use super::mistake::quoted;
use super::nearest::did_you_mean;
use super::raw::Walk;
use super::schema::{Kind, Range};
use super::tree::RawText;
use crate::quantity::Volume;

impl Walk<'_> {
    fn shown(&self, value: &Spanned<DeValue<'_>>) -> String {
        self.text.get(value.span()).map(quoted).unwrap_or_default()
    }

    pub(super) fn wrong<T>(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        wanted: &str,
    ) -> Option<T> {
        let shown = self.shown(value);
        let message = format!("{label} = {shown} cannot be used; give {wanted}");
        self.sink.mistake(value.span().start, message);
        None
    }

    pub(super) fn number(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        range: Range,
    ) -> Option<f64> {
        let wanted = range.words();
        let Some(number) = plain_number(value.get_ref()) else {
            let unit = if range.unit.is_empty() {
                ""
            } else {
                " (the unit is not written again)"
            };
            return self.wrong(label, value, &format!("a number, {wanted}{unit}"));
        };
        let refuse = |why: String| {
            let shown = self.shown(value);
            let message = format!("{label} = {shown} {why}");
            self.sink.mistake(value.span().start, message);
            None
        };
        if !number.is_finite() {
            return refuse(format!("is no finite number; give {wanted}"));
        }
        if !range.contains(number) {
            return refuse(format!("is out of range; give {wanted}"));
        }
        // Volumes are whole microlitres: what would have to be rounded was not meant.
        let fine = Volume::from_ml(number).is_none_or(|v| (v.as_ml() - number).abs() > 0.0);
        if range.unit == "mL" && fine {
            return refuse(
                "is finer than a microlitre; give at most three decimals of a mL".to_owned(),
            );
        }
        // Minus zero is zero.
        Some(number + 0.0)
    }

    pub(super) fn whole(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        range: Range,
    ) -> Option<f64> {
        let number = self.number(label, value, range)?;
        if number.fract().abs() > 0.0 || !value.get_ref().is_integer() {
            let wanted = Kind::Whole(range).wanted();
            return self.wrong(label, value, &wanted);
        }
        Some(number)
    }

    pub(super) fn text(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        what: &str,
    ) -> Option<String> {
        let found = value
            .get_ref()
            .as_str()
            .filter(|text| !text.is_empty() && text.len() <= 200);
        match found {
            Some(text) => Some(text.to_owned()),
            None => self.wrong(label, value, &format!("{what}, as text in quotes")),
        }
    }

    pub(super) fn texts(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        what: &str,
    ) -> Option<Vec<RawText>> {
        let one = |text: String, at: usize| RawText { at, text };
        let Some(array) = value.get_ref().as_array() else {
            let text = self.text(label, value, what)?;
            return Some(vec![one(text, value.span().start)]);
        };
        if array.is_empty() {
            return self.wrong(label, value, what);
        }
        let mut texts = Vec::new();
        for item in array {
            texts.push(
                self.text(label, item, what)
                    .map(|text| one(text, item.span().start)),
            );
        }
        texts.into_iter().collect()
    }

    /// A list of known words, each wrong one told at its place.
    pub(super) fn choices(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        words: &'static [&'static str],
    ) -> Option<Vec<RawText>> {
        let wanted = Kind::Choices(words).wanted();
        let Some(array) = value.get_ref().as_array() else {
            return self.wrong(label, value, &wanted);
        };
        let mut texts = Vec::new();
        for item in array {
            let found = item.get_ref().as_str().filter(|text| words.contains(text));
            texts.push(found.map(|word| RawText {
                at: item.span().start,
                text: word.to_owned(),
            }));
            if found.is_some() {
                continue;
            }
            let text = item.get_ref().as_str().unwrap_or_default();
            let near = did_you_mean(text, words.iter().copied());
            let shown = self.shown(item);
            self.sink.mistake(
                item.span().start,
                format!("{label} has {shown}, which is none of its words; {near}give {wanted}"),
            );
        }
        texts.into_iter().collect()
    }
}

/// A decimal number; integers in other bases and numbers that do not fit are none.
fn plain_number(value: &DeValue<'_>) -> Option<f64> {
    if let Some(integer) = value.as_integer() {
        return (integer.radix() == 10)
            .then(|| integer.as_str().parse().ok())
            .flatten();
    }
    value
        .as_float()
        .and_then(|float| float.as_str().parse().ok())
}
