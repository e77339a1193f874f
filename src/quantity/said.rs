//! What a type says of itself, each fact once: the words of an enum, and the text of a record.

/// An enum of words. Each variant stands with the word that it is written, shown and read by.
macro_rules! worded {
    ($(#[$about:meta])* pub enum $kind:ident { $($(#[$of:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$about])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
        )]
        pub enum $kind {
            $($(#[$of])* #[serde(rename = $word)] $variant,)*
        }

        impl $kind {
            pub const WORDS: &[&str] = &[$($word),*];
            pub const ALL: [Self; [$($word),*].len()] = [$(Self::$variant),*];

            pub const fn as_str(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)*
                }
            }

            pub fn from_word(word: &str) -> Option<Self> {
                Self::ALL.into_iter().find(|one| one.as_str() == word)
            }
        }

        impl std::fmt::Display for $kind {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.as_str())
            }
        }
    };
}

/// `Display` by one format: `said! { Pwm: it => "{} % at {} Hz", it.duty_percent, it.frequency_hz; }`.
macro_rules! said {
    ($($kind:ty: $it:ident => $format:literal $(, $value:expr)*;)*) => {$(
        impl std::fmt::Display for $kind {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                let $it = self;
                write!(f, $format $(, $value)*)
            }
        }
    )*};
}

pub(crate) use {said, worded};
