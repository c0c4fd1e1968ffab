//! A phone in the hand: the real program and a real browser, with a virtual sound card where something has to sound.
#![cfg(target_os = "linux")]

mod awake;
mod floor;
mod house;
mod laptops;
mod pairing;
mod person;
mod stop;
#[path = "../support/mod.rs"]
mod support;
mod taps;
