//! Keeps ALSA from printing to standard error in the middle of a full-screen face. The one place with unsafe code.
//!
//! ALSA's library reports every failed attempt by a handler that prints. Errors reach us as return values all the same,
//! so that nothing is lost with the text.
#![allow(unsafe_code)]

use std::ffi::{c_char, c_int};
use std::sync::Once;

/// The handler that the library calls, without the variable arguments, which it does not look at.
type Handler = unsafe extern "C" fn(*const c_char, c_int, *const c_char, c_int, *const c_char);

/// The handler as the library declares it.
type VariadicHandler = unsafe extern "C" fn(*const c_char, c_int, *const c_char, c_int, *const c_char, ...);

unsafe extern "C" fn say_nothing(_: *const c_char, _: c_int, _: *const c_char, _: c_int, _: *const c_char) {}

/// Silences ALSA for the rest of the process.
pub(super) fn silence() {
    static SILENCED: Once = Once::new();
    SILENCED.call_once(|| {
        // SAFETY: both types are pointers to functions of the C calling convention with the same fixed parameters.
        // Stable Rust cannot define a function with variable arguments. With the C conventions of the platforms that
        // have ALSA (System V on x86 and x86-64, AAPCS on ARM, the RISC-V and POWER ABIs) the caller places the fixed
        // arguments alike and cleans up the rest, so that a callee may ignore them.
        let handler = unsafe { std::mem::transmute::<Handler, VariadicHandler>(say_nothing) };
        // SAFETY: the library stores the pointer in a global variable; `call_once` keeps a second writer of ours away,
        // and it runs before the first stream of this process is opened. The function lives as long as the process.
        unsafe { alsa_sys::snd_lib_error_set_handler(Some(handler)) };
    });
}
