# The keyboard's images on Raspberry Pi's Pico SDK and TinyUSB.
#
#   include(keyc_pico.cmake)           before project(): finds the SDK at PICO_SDK_PATH
#   project(NAME C CXX ASM)
#   pico_sdk_init()
#   add_executable(TARGET SOURCE...)   its tables and image_IMAGE.c
#   keyc_pico_image(TARGET IMAGE)      daily: into flash. bench and trial: into RAM
#
# The sources lie beside this file. Nothing is downloaded, and picotool isn't needed: the UF2 file is made
# by `keyc firmware`, where that is installed.

set(KEYC_PICO_FOLDER "${CMAKE_CURRENT_LIST_DIR}")
set(KEYC_PICO_OLDEST_SDK 2.0.0)

if(NOT COMMAND pico_sdk_init) # a project of yours may have the SDK already, and its own mind
  if(NOT PICO_SDK_PATH)
    set(PICO_SDK_PATH "$ENV{PICO_SDK_PATH}")
  endif()
  if(NOT EXISTS "${PICO_SDK_PATH}/pico_sdk_init.cmake")
    message(FATAL_ERROR "keyc: there is no Pico SDK at PICO_SDK_PATH (\"${PICO_SDK_PATH}\")")
  endif()
  include("${PICO_SDK_PATH}/pico_sdk_version.cmake")
  if(PICO_SDK_VERSION_STRING VERSION_LESS KEYC_PICO_OLDEST_SDK)
    message(FATAL_ERROR "keyc: the Pico SDK is ${PICO_SDK_VERSION_STRING}, older than ${KEYC_PICO_OLDEST_SDK}")
  endif()

  set(PICO_PLATFORM rp2040 CACHE STRING "")
  # No board: the keymap says what is soldered to which pin. Every flash chip knows command 03h.
  set(PICO_BOARD none CACHE STRING "")
  set(PICO_DEFAULT_BOOT_STAGE2 boot2_generic_03h CACHE STRING "")
  set(PICO_NO_PICOTOOL 1 CACHE BOOL "")
  if(NOT CMAKE_BUILD_TYPE)
    set(CMAKE_BUILD_TYPE MinSizeRel CACHE STRING "" FORCE)
  endif()
  include("${PICO_SDK_PATH}/pico_sdk_init.cmake")
endif()

set(KEYC_PICO_SOURCES sdk_chip.c sdk_usb.c engine_usb.c)
set(KEYC_PICO_KEYBOARD
  engine_usb_keys.c engine_scan.c engine_settle.c engine_layers.c engine_reports.c engine_further.c
  engine_decide.c engine_chords.c engine_taps.c engine_modes.c engine_typing.c engine_pointer.c
  engine_dials.c engine_lights.c)
set(KEYC_PICO_CONSOLE engine_usb_console.c bench_wire.c rp2040_console.c rp2040_flash_id.c)
set(KEYC_PICO_SOURCES_daily main_keys.c ${KEYC_PICO_KEYBOARD})
set(KEYC_PICO_SOURCES_bench
  main_bench.c bench_lines.c bench_edges.c bench_work.c rp2040_edges.c ${KEYC_PICO_CONSOLE})
set(KEYC_PICO_SOURCES_trial
  main_keys.c rp2040_trial.c engine_usb_trial.c trial.c ${KEYC_PICO_KEYBOARD} ${KEYC_PICO_CONSOLE})

function(keyc_pico_image TARGET IMAGE)
  if(NOT KEYC_PICO_SOURCES_${IMAGE})
    message(FATAL_ERROR "keyc: there is no image called ${IMAGE}")
  endif()
  set(sources ${KEYC_PICO_SOURCES} ${KEYC_PICO_SOURCES_${IMAGE}})
  list(TRANSFORM sources PREPEND "${KEYC_PICO_FOLDER}/")
  target_sources("${TARGET}" PRIVATE ${sources})
  target_include_directories("${TARGET}" PRIVATE "${KEYC_PICO_FOLDER}")
  target_compile_features("${TARGET}" PRIVATE c_std_11)
  target_compile_definitions("${TARGET}" PRIVATE
    PICO_RP2040_USB_DEVICE_ENUMERATION_FIX=1 # erratum E5: off by default
    PICO_RP2040_USB_DEVICE_UFRAME_FIX=1      # erratum E15
    PICO_XOSC_STARTUP_DELAY_MULTIPLIER=64    # hand-soldered boards have slow crystals too
    PICO_NO_BINARY_INFO=1                    # it holds the date: the same input makes the same bytes
    PICO_RUNTIME_SKIP_INIT_USB_POWER_DOWN=1  # USB is used at once
    PICO_STACK_SIZE=0x1000                   # the whole bank, with a mark at its end
    PICO_PANIC_FUNCTION=keyc_sdk_panic)
  target_compile_options("${TARGET}" PRIVATE # the image's bytes don't know where it was built
    "-ffile-prefix-map=${PICO_SDK_PATH}=sdk" "-ffile-prefix-map=${CMAKE_SOURCE_DIR}=.")
  target_link_options("${TARGET}" PRIVATE -Wl,--wrap=dcd_event_handler)
  target_link_libraries("${TARGET}" PRIVATE
    pico_runtime pico_bootrom pico_time tinyusb_device hardware_clocks hardware_gpio hardware_irq
    hardware_pll hardware_sync hardware_timer hardware_watchdog)
  if(NOT IMAGE STREQUAL "daily")
    pico_set_binary_type("${TARGET}" no_flash)
    target_compile_options("${TARGET}" PRIVATE -O2) # what is loaded into RAM has to be quick
    target_compile_definitions("${TARGET}" PRIVATE KEYC_IMAGE_HAS_CONSOLE=1)
  endif()

  find_program(KEYC_PROGRAM keyc)
  if(KEYC_PROGRAM)
    add_custom_command(TARGET "${TARGET}" POST_BUILD
      COMMAND "${KEYC_PROGRAM}" firmware "$<TARGET_FILE:${TARGET}>" -o "${TARGET}.uf2"
      BYPRODUCTS "${TARGET}.uf2"
      VERBATIM)
  else()
    message(STATUS "keyc isn't installed here: ${TARGET} stays an ELF file")
  endif()
endfunction()
